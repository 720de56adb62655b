"""`drillfeed play`: daemon, driver, phone page and keyboard screen with one command, in one terminal.

Rule of this file: what it starts is what `serve`, `drive` and `phone` start, and it ends only that. A daemon that runs
already is joined and goes on afterwards.
"""

import argparse
import contextlib
import os
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from drillfeed.clients.lines import Client
    from drillfeed.daemon.config import Config

EXAMPLES = """\
examples:
  drillfeed play                                          a simulated thrower
  drillfeed play mixed-spin                               the same, with this drill loaded
  drillfeed play --machine my-thrower.toml --port /dev/ttyUSB0
  drillfeed play --phone lan                              with the page for phones on this network
  drillfeed play --phone off                              without a page

One terminal for everything: it starts the daemon, the driver of the board (without --port a simulated thrower) and the
page, and shows the keyboard screen. q ends all of it in order: the thrower stops first. A daemon that runs already is
joined and never ended. Nothing turns before you have armed and started. What the parts print goes to play.log in the
state folder. Exit code: 0 left, 1 a part did not come up, 2 wrong arguments or no terminal.
"""

LEFT, FAILED, MISUSED = 0, 1, 2
LOG = "play.log"
UP_S, DRIVER_S, LOOK_S = 30.0, 10.0, 0.1
TAIL_LINES = 6
PAGE_PORT = 7380


class NotUp(Exception):
    """A part did not come up; the text says which, why, and what to do."""


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Add the arguments of this sub-command."""
    parser.add_argument("drill", nargs="?", metavar="DRILL", help="a drill to load; `drillfeed list drills` names them")
    parser.add_argument("--machine", metavar="M", help="machine profile: a name or a file (club-build)")
    parser.add_argument(
        "--port", metavar="PORT", help="the serial port of the board; without it the thrower is simulated"
    )
    parser.add_argument(
        "--duty", metavar="FILE", help="for a board without speed feedback: which duty makes which speed"
    )
    parser.add_argument("--drills", metavar="DIR", help="folder of your own drills, ball types in DIR/balls")
    parser.add_argument("--config", metavar="FILE", help="configuration of the daemon")
    parser.add_argument(
        "--phone",
        default="here",
        metavar="lan|here|off",
        help="page for phones on this network, for this computer, none",
    )


def run(args: argparse.Namespace) -> int:
    """Bring everything up, show the screen until the person leaves, and end what was started; return the exit code."""
    from drillfeed.clients.find import NoDaemon
    from drillfeed.clients.lines import Client
    from drillfeed.daemon.config import read_config
    from drillfeed.daemon.files import path_of
    from drillfeed.daemon.validation import InvalidFile
    from drillfeed.protocol.lines import BrokenReply

    if not (sys.stdin.isatty() and sys.stdout.isatty()):
        print("drillfeed play: needs a terminal; in scripts use serve, drive and send", file=sys.stderr)
        return MISUSED
    if args.phone not in ("lan", "here", "off"):
        print(f"drillfeed play: --phone is lan, here or off; found '{args.phone}'", file=sys.stderr)
        return MISUSED
    try:
        given = {key: getattr(args, key) for key in ("machine", "drills")}
        config = read_config(path_of(args.config) if args.config else None, given)
        to = config.listen if args.config else None
        try:
            with Client.find(to) as running:
                note = _load(running, args.drill)
        except (NoDaemon, BrokenReply, TimeoutError):
            return _all_of_it(args, config)
        return _screen(to, f"joined a daemon that runs already; it goes on when you leave. {note}".rstrip())
    except InvalidFile as error:
        print(error, file=sys.stderr)
        return MISUSED
    except NotUp as error:
        print(f"drillfeed play: {error}", file=sys.stderr)
        return FAILED


def _all_of_it(args: argparse.Namespace, config: "Config") -> int:
    from drillfeed.clients.ending import Ended
    from drillfeed.daemon.children import child
    from drillfeed.daemon.config import state_folder
    from drillfeed.daemon.files import own_folder
    from drillfeed.daemon.shell.logs import tell

    folder = state_folder()
    own_folder(folder)
    log = folder / LOG
    log.write_bytes(b"")
    # Left in the opposite order: the page, then the daemon, which stops the thrower, and the driver last.
    with contextlib.ExitStack() as ends:
        driver = ends.enter_context(child(_drive(args, config), os.environ, log))
        daemon = ends.enter_context(child(_serve(args, config), os.environ, log))
        ends.callback(tell, "ending: the thrower stops, then the daemon and the driver leave")
        tell(f"starting the daemon for {config.machine} ...")
        try:
            with _wait_for(config.listen, daemon, log) as client:
                _wait_for_driver(client, driver, log)
                note = _load(client, args.drill)
                page = _page(args, ends, config, client, log)
        except Ended:
            return LEFT
        return _screen(config.listen, "   ".join(filter(None, (note, page))))


def _serve(args: argparse.Namespace, config: "Config") -> list[str]:
    words = ["serve", "--machine", config.machine, "--listen", config.listen, "--link", config.link]
    words += ["--drills", config.drills] if config.drills else []
    return words + (["--config", args.config] if args.config else [])


def _drive(args: argparse.Namespace, config: "Config") -> list[str]:
    board = ["serial", "--port", args.port] if args.port else ["simulated"]
    duty = ["--duty", args.duty] if args.duty else []
    return ["drive", *board, *duty, "--link", config.link, "--machine", config.machine]


def _wait_for(listen: str, daemon: "subprocess.Popen[bytes]", log: Path) -> "Client":
    """Return a client of the daemon that was started; raise NotUp if it does not come up."""
    from drillfeed.clients.find import NoDaemon
    from drillfeed.clients.lines import Client

    end_s = time.monotonic() + UP_S
    while True:
        if daemon.poll() is not None:
            raise NotUp(f"the daemon did not come up:\n{_tail(log)}")
        try:
            return Client.find(listen)
        except (NoDaemon, TimeoutError):
            if time.monotonic() > end_s:
                raise NotUp(f"the daemon did not answer within {UP_S:.0f} s:\n{_tail(log)}") from None
            time.sleep(LOOK_S)


def _wait_for_driver(client: "Client", driver: "subprocess.Popen[bytes]", log: Path) -> None:
    """Wait until the driver has joined; raise NotUp if it left. One that is only slow is shown by the screen."""
    end_s = time.monotonic() + DRIVER_S
    while client.snapshot().state == "OFFLINE" and time.monotonic() < end_s:
        if driver.poll() is not None:
            raise NotUp(f"the driver did not come up:\n{_tail(log)}")
        time.sleep(LOOK_S)


def _page(args: argparse.Namespace, ends: contextlib.ExitStack, config: "Config", client: "Client", log: Path) -> str:
    """Start the page unless it is off; return a line with its address and a code."""
    from importlib.util import find_spec

    from drillfeed.daemon.children import child
    from drillfeed.daemon.subcommands.phone import own_address

    if args.phone == "off":
        return ""
    if find_spec("websockets") is None or find_spec("segno") is None:
        return "no phone page: pip install 'drillfeed[phone]'"
    try:
        host = own_address() if args.phone == "lan" else "127.0.0.1"
    except ValueError as error:
        return f"no phone page: {error}"
    on = f"[{host}]:{PAGE_PORT}" if ":" in host else f"{host}:{PAGE_PORT}"
    ends.enter_context(child(["phone", "--to", config.listen, "--on", on, "--pair", "none"], os.environ, log))
    reply = client.invite("player")
    code = reply.data[0].removeprefix("code ") if reply.ok and reply.data else ""
    return f"phone page http://{on}/" + (f", code {code} within two minutes" if code else "")


def _load(client: "Client", drill: str | None) -> str:
    """Load a drill if one is named; return what the daemon says of it."""
    from drillfeed.protocol.errors import Refused

    if drill is None:
        return ""
    try:
        return client.load(drill).text
    except Refused as refused:
        return refused.text


def _tail(log: Path) -> str:
    """Return the last lines that the parts printed."""
    lines = log.read_text(errors="replace").splitlines()[-TAIL_LINES:]
    return "\n".join(f"  {line}" for line in lines) or "  (it printed nothing)"


def _screen(to: str | None, note: str) -> int:
    """Show the keyboard screen until the person leaves; return the exit code."""
    from drillfeed.daemon.subcommands.keyboard import screen

    show: Callable[[str | None, str], int] = screen
    return show(to, note)
