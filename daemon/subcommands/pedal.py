"""`drillfeed pedal`: a foot switch, or any key or contact that is used as one.

Rule of this file: `clients/pedal/foot.py` decides what a press means; this file opens contacts and prints lines.
"""

import argparse
import contextlib
import os
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING

from drillfeed.protocol.plain import plain

if TYPE_CHECKING:
    from drillfeed.clients.pedal.settings import Pedal
    from drillfeed.clients.pedal.sources import Source

EXAMPLES = """\
examples:
  drillfeed pedal                                   any key of this terminal is the foot switch
  drillfeed pedal --list                            the input devices there are
  drillfeed pedal --input /dev/input/by-id/usb-pedal-event-kbd --key KEY_B
  drillfeed pedal --serial /dev/ttyUSB0 --key cts   a bare contact between RTS and CTS
  my-contact | drillfeed pedal --lines              lines `down` and `up` from a program of yours
  drillfeed pedal --config pedal.toml               several, and what presses mean

While balls come, wheels spin up or a rest runs down, pressing pauses at once. Held for 0.8 s it stops. A short press,
when let go: resume after a pause, ready in a rest, start where a drill is loaded and armed; each with its countdown.
It never starts after a fault or a stop: those take clear and arm first, which no foot switch gives. Unplugged in
mid-drill it pauses. A GPIO contact is an input device where the kernel's gpio-keys offers it.
--input needs the extra `pedal` (evdev), --serial the extra `serial` (pyserial).
Exit code: 0 left, 1 the extra is not installed, 2 wrong settings, 3 no daemon at the beginning.
"""

LEFT, MISSING, MISUSED, NO_DAEMON = 0, 1, 2, 3


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Add the arguments of this sub-command."""
    parser.add_argument(
        "--to", metavar="HOST:PORT|PATH", help="the daemon; else $DRILLFEED, its socket, 127.0.0.1:7340"
    )
    which = parser.add_mutually_exclusive_group()
    which.add_argument("--config", metavar="FILE", help="TOML file with one [[pedal]] table a foot switch")
    which.add_argument("--input", metavar="DEVICE", help="a Linux input device")
    which.add_argument("--serial", metavar="PORT", help="a contact at a serial port")
    which.add_argument("--lines", action="store_true", help="lines `down` and `up` on standard input")
    which.add_argument("--list", action="store_true", help="list input devices and leave")
    parser.add_argument("--key", metavar="NAME", help="which key (KEY_B) or control line (cts); any key if left out")
    parser.add_argument("--double", metavar="VERB", help="what a double press gives, such as easier (nothing)")
    parser.add_argument("--quiet", action="store_true", help="no bell; lines only")


def run(args: argparse.Namespace) -> int:
    """Act on the foot switches until interrupted; return the exit code."""
    from drillfeed.clients.find import NoDaemon
    from drillfeed.clients.pedal.foot import Foot
    from drillfeed.clients.pedal.session import PedalSession, work
    from drillfeed.clients.pedal.settings import BadSettings
    from drillfeed.clients.steady import SteadyClient
    from drillfeed.daemon.shell.logs import draw, tell_reader
    from drillfeed.protocol.lines import BrokenReply

    client = SteadyClient(args.to)
    try:
        if args.list:
            return _list()
        settings = _settings(args)
        pedals = [(open_source(pedal), Foot(pedal.meaning)) for pedal in settings]
        client.connect()
    except ImportError as error:
        print(f"drillfeed pedal: {error.name} is missing. Next: pip install 'drillfeed[pedal,serial]'", file=sys.stderr)
        return MISSING
    except (BadSettings, ValueError) as error:
        print(f"drillfeed pedal: {error}", file=sys.stderr)
        return MISUSED
    except (NoDaemon, BrokenReply, TimeoutError) as error:
        print(f"drillfeed pedal: {error}", file=sys.stderr)
        return NO_DAEMON
    session = PedalSession(client, pedals, tell_reader)
    with keys_as_they_come(any(pedal.source == "terminal" for pedal in settings)):
        work(session, lambda: None if args.quiet else draw("\a"))
    return LEFT


def read_settings(path: Path) -> "tuple[Pedal, ...]":
    """Return the foot switches of a TOML file; raises BadSettings."""
    from drillfeed.clients.pedal.settings import BadSettings, settings_of
    from drillfeed.daemon.files import read_toml
    from drillfeed.daemon.validation import InvalidFile

    try:
        return settings_of(read_toml(path), str(path))
    except InvalidFile as error:
        raise BadSettings(str(error)) from None


def _settings(args: argparse.Namespace) -> "tuple[Pedal, ...]":
    from drillfeed.clients.pedal.settings import BadSettings, pedal_of

    if args.config:
        return read_settings(Path(args.config))
    source = "input" if args.input else "serial" if args.serial else "lines" if args.lines else "terminal"
    if source == "terminal" and not sys.stdin.isatty():
        raise BadSettings("standard input is no terminal; name a contact: --input, --serial, --lines or --config")
    return (pedal_of(source=source, device=args.input or args.serial, key=args.key, double=args.double),)


def open_source(pedal: "Pedal") -> "Source":
    """Make the source of one foot switch; raises ImportError if its extra is missing, ValueError for an unknown key."""
    from drillfeed.clients.pedal import sources

    if pedal.source == "terminal":
        return sources.TerminalKey(sys.stdin.fileno())
    if pedal.source == "lines":
        return sources.ContactLines(sys.stdin.fileno())
    if pedal.source == "serial":
        import serial

        return sources.SerialContact(lambda: serial.Serial(pedal.device), pedal.key or "cts")
    import evdev

    code = None if pedal.key is None else evdev.ecodes.ecodes.get(pedal.key)
    if pedal.key is not None and code is None:
        raise ValueError(f"there is no key {pedal.key}; expected a name such as KEY_B; evtest shows what a pedal sends")

    def open_device() -> sources.InputHandle:
        device: sources.InputHandle = evdev.InputDevice(pedal.device)
        device.grab()  # otherwise the pedal would also type into the window in front
        return device

    return sources.InputDevice(open_device, code)


def _list() -> int:
    import evdev

    devices = [evdev.InputDevice(path) for path in evdev.list_devices()]
    for device in devices:
        print(f"{device.path:<24}{plain(device.name)}")
    if not devices:
        print("no input device can be read; is your user in the group `input`?")
    return LEFT


@contextlib.contextmanager
def keys_as_they_come(wanted: bool) -> Iterator[None]:
    """Switch off line editing and echo in the block if `wanted`, and restore the terminal at the end."""
    if not wanted:
        yield
        return
    import termios
    import tty

    # Use a separate file number, because after a hang-up standard input is no longer the terminal.
    terminal = os.dup(sys.stdin.fileno())
    try:
        before = termios.tcgetattr(terminal)
        tty.setcbreak(terminal)
        try:
            yield
        finally:
            with contextlib.suppress(termios.error):  # the terminal has gone
                termios.tcsetattr(terminal, termios.TCSADRAIN, before)
    finally:
        os.close(terminal)
