"""`drillfeed keyboard`: single keys and one screen.

Rule of this file: the terminal is put back as it was, however this ends; whether a key may set
something going is decided in `clients/keyboard.py`.
"""

import argparse
import os
import select
import sys
import time
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from drillfeed.clients.keyboard import Press
    from drillfeed.clients.lines import Client
    from drillfeed.protocol.status import Snapshot

EXAMPLES = """\
examples:
  drillfeed keyboard                       the daemon of this machine
  drillfeed keyboard --to 192.0.2.10:7340  a daemon on another machine

keys: space pause or resume, s stop, a arm, g start, n next set, r rest is over, d disarm, c clear, q leave
(what runs goes on). Ctrl-C stops and leaves. Load a drill first: drillfeed send 'load mixed-spin'.
Exit code: 0 left, 2 no terminal, 3 no daemon at the beginning.
"""

LEFT, MISUSED, NO_DAEMON = 0, 2, 3
LOOK_S = 0.2
AGAIN_S = 1.0
ANSWER_S = 1.0
USUAL_ROWS = 24
HOME, CLEAR_LINE, CLEAR_BELOW = "\x1b[H", "\x1b[K", "\x1b[J"
HIDE_CURSOR, SHOW_CURSOR, CLEAR_SCREEN = "\x1b[?25l", "\x1b[?25h", "\x1b[2J"


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Add the arguments of this sub-command."""
    parser.add_argument(
        "--to", metavar="HOST:PORT|PATH", help="the daemon; else $DRILLFEED, its socket, 127.0.0.1:7340"
    )


def run(args: argparse.Namespace) -> int:
    """Show the screen and act on keys until one leaves; returns the exit code."""
    from drillfeed.clients.find import NoDaemon
    from drillfeed.protocol.lines import BrokenReply

    if not (sys.stdin.isatty() and sys.stdout.isatty()):
        print("drillfeed keyboard: needs a terminal; use `drillfeed send` in scripts", file=sys.stderr)
        return MISUSED
    session = Session(args.to)
    try:
        session.connect()
    except ValueError as error:
        print(f"drillfeed keyboard: {error}", file=sys.stderr)
        return MISUSED
    except (NoDaemon, BrokenReply, TimeoutError) as error:
        print(f"drillfeed keyboard: {error}", file=sys.stderr)
        return NO_DAEMON
    return _on_terminal(session)


class Session:
    """Two connections, the last snapshot and its age, and the last thing told.

    One connection asks and is told, the other carries commands whose reply may take long: no key, least of all
    a stop or a pause, waits for the reply to another.
    """

    def __init__(self, to: str | None) -> None:
        self.to = to
        self.asking: Client | None = None
        self.acting: Client | None = None
        self.snapshot: Snapshot | None = None
        self.seen_at_s = 0.0
        self.tried_at_s = -AGAIN_S
        self.message = ""
        self.bell = False
        self._kept = ""
        self._last_seen_s: dict[str, float] = {}

    def connect(self) -> None:
        """Open both connections; raises NoDaemon or ValueError."""
        from drillfeed.clients.lines import Client

        self.asking = Client.find(self.to, answer_s=ANSWER_S)
        self.asking.watch("json")
        self.acting = Client.find(self.to, answer_s=ANSWER_S)

    def look(self, now: float) -> None:
        """Ask for the state and take what was told; connect again where the connection was lost."""
        from drillfeed.clients.find import NoDaemon
        from drillfeed.protocol.errors import Refused
        from drillfeed.protocol.lines import BrokenReply

        try:
            if self.asking is None or self.acting is None:
                if now - self.tried_at_s < AGAIN_S:
                    return
                self.tried_at_s = now
                self.connect()
                self.message = "connected again"
            assert self.asking is not None and self.acting is not None
            self.snapshot, self.seen_at_s = self.asking.snapshot(), now
            for told in (*self.asking.notices(0.0), *self.acting.notices(0.0)):
                self.message = told.text
                self.bell = self.bell or told.cue is not None
            for reply in self.acting.take_replies():
                self.message = reply.text or f"{reply.verb}: done"
        except (NoDaemon, BrokenReply, TimeoutError) as error:
            self.lose(str(error))
        except Refused as refused:
            self.message = refused.text

    def lose(self, why: str) -> None:
        """Note that the connection is lost; the screen says so and shows no old state."""
        self.close()
        self.snapshot, self.message = None, why

    def close(self) -> None:
        """Close both connections."""
        for client in (self.asking, self.acting):
            if client is not None:
                client.close()
        self.asking = self.acting = None

    def typed(self, text: str, now: float) -> bool:
        """Act on what the terminal sent; False leaves."""
        from drillfeed.clients.keyboard import keys_of

        keys, self._kept = keys_of(text, self._kept)
        return all(self.key(key, now) for key in keys)

    def key(self, key: str, now: float) -> bool:
        """Act on one key; False leaves."""
        from drillfeed.clients.find import NoDaemon
        from drillfeed.clients.keyboard import press
        from drillfeed.protocol.lines import BrokenReply

        since_s = now - self._last_seen_s.get(key.lower(), -1e9)
        self._last_seen_s[key.lower()] = now
        what = press(key, self.snapshot, since_s, now - self.seen_at_s)
        try:
            self._do(what)
        except (NoDaemon, BrokenReply, TimeoutError) as error:
            self.lose(str(error))
        return not what.leave

    def _do(self, what: "Press") -> None:
        from drillfeed.protocol.commands import line_of

        if what.why_not:
            self.message = what.why_not
        if self.asking is None or self.acting is None:
            if what.stop or what.command is not None:
                self.message = "NOT SENT: there is no connection. Use the switch that cuts the motors' supply."
        elif what.stop:
            self.acting.stop_now()
            self.message = "stop sent"
        elif what.command is not None and what.command.verb == "pause":
            self.message = self.asking.pause().text
        elif what.command is not None:
            self.acting.send_line(line_of(what.command))
            self.message = f"{what.command.verb} sent"


def _on_terminal(session: Session) -> int:
    import termios
    import tty

    number = sys.stdin.fileno()
    before = termios.tcgetattr(number)
    try:
        tty.setcbreak(number)
        sys.stdout.write(HIDE_CURSOR + CLEAR_SCREEN)
        while True:
            now = time.monotonic()
            session.look(now)
            _draw(session, now)
            readable, _, _ = select.select([number], [], [], LOOK_S)
            if readable:
                typed = os.read(number, 64).decode("utf-8", "replace")
                if not typed or not session.typed(typed, time.monotonic()):
                    return LEFT
    except KeyboardInterrupt:
        session.key("s", time.monotonic())
        return LEFT
    finally:
        session.close()
        termios.tcsetattr(number, termios.TCSADRAIN, before)
        sys.stdout.write(f"{SHOW_CURSOR}\n{session.message}\n")
        sys.stdout.flush()


def _draw(session: Session, now: float) -> None:
    from drillfeed.clients.keyboard import render

    size = os.get_terminal_size(sys.stdout.fileno())
    lines = render(session.snapshot, size.columns, session.message, now - session.seen_at_s)
    lines = lines[: (size.lines or USUAL_ROWS) - 1]
    screen = "".join(f"{line}{CLEAR_LINE}\r\n" for line in lines)
    sys.stdout.write(HOME + screen + CLEAR_BELOW + ("\a" if session.bell else ""))
    sys.stdout.flush()
    session.bell = False
