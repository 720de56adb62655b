"""`drillfeed jog`: set-up with a hand on a key, which moves one wheel, both, the tilt or one ball while it is held.

Rule of this file: `clients/jogging.py` decides what counts as a hand. This file reads a key or contact, sends the
lines, and leaves set-up again however it ends.
"""

import argparse
import os
import select
import signal
import sys
import time
from typing import TYPE_CHECKING, Protocol

from drillfeed.clients.ending import Ended, stop_before_leaving

if TYPE_CHECKING:
    from drillfeed.clients.jogging import Hand, Jogger
    from drillfeed.clients.lines import Client

EXAMPLES = """\
examples:
  drillfeed jog top 400                  hold the space bar: the top wheel turns at 400 rpm
  drillfeed jog wheels 400 400           both wheels
  drillfeed jog tilt 12                  the tilt goes to 12 degrees
  drillfeed jog ball 400 400             both wheels, and one ball a hold once they have arrived
  drillfeed jog top 400 --input /dev/input/by-id/usb-pedal-event-kbd --key KEY_B
  drillfeed jog top 400 --serial /dev/ttyUSB0 --key cts
  my-contact | drillfeed jog top 400 --lines

Only at the machine, over the daemon's own socket, and armed: at most 1.5 m/s at the rim. Hold the space bar: it moves
from its first repeat on, some half a second after you press, and stops by itself 300 ms after the last one. A contact
(a foot switch, a button) moves at once and stops sooner: prefer one. After 20 s let go and hold again. s stops and
leaves, as closing the terminal does; q leaves. Eye protection on; nobody in front of the opening; the motor switch
within reach.
A keyboard that repeats slower than 9 times a second moves nothing: kbdrate, or xset r rate, sets it.
Exit code: 0 left, 1 refused or the extra is missing, 2 wrong command line, 3 no daemon.
"""

LEFT, REFUSED, MISUSED, NO_DAEMON = 0, 1, 2, 3
ANSWER_S = 2.0
LOOK_S = 0.02
STALLED_S = 0.15
HOLD_KEY, LEAVE_KEY = " ", "q"
STOP_KEYS = ("s", "S", "\x18")


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Add the arguments of this sub-command."""
    parser.add_argument("what", metavar="WHAT", help="top, bottom, wheels, tilt or ball")
    parser.add_argument("figures", nargs="+", type=float, metavar="RPM|DEG", help="one for each axis that is held")
    parser.add_argument(
        "--to", metavar="PATH", help="the daemon's Unix socket; else $DRILLFEED, or where it usually is"
    )
    which = parser.add_mutually_exclusive_group()
    which.add_argument("--input", metavar="DEVICE", help="a Linux input device instead of the space bar")
    which.add_argument("--serial", metavar="PORT", help="a contact at a serial port")
    which.add_argument("--lines", action="store_true", help="lines `down` and `up` on standard input")
    parser.add_argument("--key", metavar="NAME", help="which key (KEY_B) or control line (cts) is the contact")
    parser.add_argument(
        "--at-the-machine",
        action="store_true",
        help="the terminal is reached over a network, and you stand at the machine",
    )


def run(args: argparse.Namespace) -> int:
    """Act on the key until the person leaves; return the exit code."""
    from drillfeed.clients.find import NoDaemon
    from drillfeed.clients.lines import Client
    from drillfeed.protocol.lines import BrokenReply

    problem = _problem_in(args)
    if problem:
        print(f"drillfeed jog: {problem}", file=sys.stderr)
        return MISUSED
    try:
        grip = _grip(args)
        with Client.find(args.to, answer_s=ANSWER_S) as client:
            return _set_up(client, args, grip)
    except ImportError as missing:
        print(f"drillfeed jog: {missing.name} is missing. Next: pip install 'drillfeed[pedal,serial]'", file=sys.stderr)
        return REFUSED
    except ValueError as error:
        print(f"drillfeed jog: {error}", file=sys.stderr)
        return MISUSED
    except (NoDaemon, BrokenReply, TimeoutError) as error:
        print(f"drillfeed jog: {error}", file=sys.stderr)
        return NO_DAEMON


def _problem_in(args: argparse.Namespace) -> str:
    """Return what is wrong with the command line, or an empty text."""
    from drillfeed.clients.jogging import MOTIONS

    motion = MOTIONS.get(args.what)
    if motion is None:
        return f"{args.what} is nothing to hold; expected one of: {', '.join(MOTIONS)}"
    if len(args.figures) != len(motion.axes):
        return f"{args.what} takes {len(motion.axes)} figures ({', '.join(motion.axes)}); example: {motion.example}"
    if args.input or args.serial or args.lines:
        return ""
    if not sys.stdin.isatty():
        return "standard input is no terminal; name a contact: --input, --serial or --lines"
    if "SSH_CONNECTION" in os.environ and not args.at_the_machine:
        return (
            "this terminal is elsewhere, and set-up is for a hand at the machine; --at-the-machine if you stand there"
        )
    return ""


class Grip(Protocol):
    """Where the hand is: the files to wait for, and a way to look at the hand."""

    @property
    def hand(self) -> "Hand":
        """Return the object that tells whether the hand is there."""

    def filenos(self) -> list[int]:
        """Return the files that become readable when there is news."""

    def look(self, now_s: float) -> str:
        """Pass the news to `hand`; return the other keys that were typed."""


class KeyGrip:
    """The space bar of this terminal."""

    def __init__(self) -> None:
        from drillfeed.clients.jogging import KeyRepeats

        self.hand: KeyRepeats = KeyRepeats()

    def filenos(self) -> list[int]:
        """Return the terminal's number."""
        return [sys.stdin.fileno()]

    def look(self, now_s: float) -> str:
        """Read what was typed; the space bar counts once a look. Raises Ended if the terminal has gone."""
        if not select.select([sys.stdin], [], [], 0.0)[0]:
            return ""
        try:
            typed = os.read(sys.stdin.fileno(), 4096).decode("utf-8", "replace")
        except OSError:  # the other end of the terminal is closed
            typed = ""
        if not typed:
            raise Ended(signal.SIGHUP)
        if HOLD_KEY in typed:
            self.hand.key(now_s)
        return typed.replace(HOLD_KEY, "")


class ContactGrip:
    """A contact that reports both its edges."""

    def __init__(self, args: argparse.Namespace) -> None:
        from drillfeed.clients.jogging import Contact
        from drillfeed.clients.pedal.settings import pedal_of
        from drillfeed.daemon.subcommands.pedal import open_source

        kind = "input" if args.input else "serial" if args.serial else "lines"
        self.hand: Contact = Contact()
        self._source = open_source(pedal_of(source=kind, device=args.input or args.serial, key=args.key, double=None))

    def filenos(self) -> list[int]:
        """Return the files from which the contact is read."""
        return self._source.filenos()

    def look(self, now_s: float) -> str:
        """Pass edges to `hand`; when the input ends, return the key that leaves."""
        ended = False
        for edge in self._source.read(now_s):
            self.hand.edge(edge)
            ended = edge.kind == "unplugged"
        return LEAVE_KEY if ended else ""


def _grip(args: argparse.Namespace) -> Grip:
    return ContactGrip(args) if args.input or args.serial or args.lines else KeyGrip()


def _set_up(client: "Client", args: argparse.Namespace, grip: Grip) -> int:
    """Enter set-up, act on the key, and leave set-up again."""
    from drillfeed.clients.jogging import MOTIONS, Jogger
    from drillfeed.daemon.shell.logs import tell
    from drillfeed.daemon.subcommands.pedal import keys_as_they_come

    jogger = Jogger(MOTIONS[args.what], tuple(args.figures))

    def work() -> int:
        reply = client.setup("on")
        if not reply.ok:
            print(f"drillfeed jog: {reply.text}", file=sys.stderr)
            return REFUSED
        with keys_as_they_come(sys.stdin.isatty()):
            tell(f"{reply.text.split(';')[0]}; hold for {args.what}; s stops, q leaves")
            return _work(client, grip, jogger)

    try:
        return stop_before_leaving(work, lambda: tell(client.stop().text), LEFT)
    finally:
        # The daemon refuses this if a stop or a fault has already ended set-up, or if set-up never began.
        client.setup("off")


def _work(client: "Client", grip: Grip, jogger: "Jogger") -> int:
    from drillfeed.daemon.shell.logs import tell

    told, looked_s = "", time.monotonic()
    while True:
        select.select(grip.filenos(), [], [], LOOK_S)
        now_s = time.monotonic()
        keys = grip.look(now_s)
        if any(key in STOP_KEYS for key in keys):
            tell(client.stop().text)
            return LEFT
        if LEAVE_KEY in keys.lower():
            return LEFT
        if now_s - looked_s > STALLED_S:
            grip.hand.forget()
        looked_s = now_s
        for line in jogger.lines(grip.hand.there(now_s), now_s):
            reply = client.ask_line(line)
            jogger.answered(line, reply)
            if reply.code is not None and reply.code.name == "wrong-state":
                print(f"drillfeed jog: {reply.text}", file=sys.stderr)
                return REFUSED
        if jogger.message != told:
            told = jogger.message
            tell(told)
