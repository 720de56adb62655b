"""`drillfeed probe-driver`: act as the daemon for any driver and report which rules of the link it keeps."""

import argparse
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from drillfeed.clients.probe.check import Phase
    from drillfeed.clients.probe.probe import Probe, Row

EXAMPLES = """\
examples:
  drillfeed probe-driver --link tcp://127.0.0.1:7411            listen there, wait for the driver, check it
  drillfeed probe-driver --link tcp://127.0.0.1:7411 --yes      ask nothing; only for a driver that says it is simulated
  drillfeed probe-driver --link tcp://127.0.0.1:7411 --feed     ask for balls too; leave the hopper empty
  drillfeed probe-driver --link tcp://127.0.0.1:7411 --pid 4711  freeze its process; in the end hang up on it
  drillfeed probe-driver --link tcp://127.0.0.1:7411 --balls 3  the same with 3 balls loaded: is each seen leaving?
  drillfeed probe-driver --link tcp://127.0.0.1:7411 --only pong clock
  drillfeed probe-driver --list                                 the table of checks, with clauses of LINK.md

It turns wheels at low speed and asks before it does; it asks for no ball without --feed. Nobody in front of the
opening, hands off the wheels, the motor switch within reach.
Exit code: 0 what was run holds, 1 something does not, or is inconclusive because this machine stalled, 2 wrong command
line, 3 no driver came.
"""
DEFAULT_WAIT_S = 30.0
BALLS_MAX = 500


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Add the arguments of this sub-command."""
    parser.add_argument("--link", metavar="ENDPOINT", help="where to listen for the driver, as the daemon would")
    parser.add_argument("--yes", action="store_true", help="turn wheels unasked, if the driver says it is simulated")
    parser.add_argument("--feed", action="store_true", help="run the checks that ask for balls as well")
    parser.add_argument("--balls", type=count, default=0, metavar="N", help="as --feed, with N balls in the hopper")
    parser.add_argument(
        "--pid",
        type=int,
        metavar="N",
        help="the driver's process: to freeze it for a second, and last of all to hang up on it",
    )
    parser.add_argument("--only", nargs="+", default=(), metavar="NAME", help="run these checks and no others")
    parser.add_argument("--wait", type=float, default=DEFAULT_WAIT_S, metavar="S", help="wait so long for a driver")
    parser.add_argument("--json", action="store_true", help="print one JSON object at the end")
    parser.add_argument("--list", action="store_true", help="print the table of checks and leave")


def count(word: str) -> int:
    """Return a number of balls from the command line; raises ArgumentTypeError."""
    if not word.isdecimal() or not 1 <= int(word) <= BALLS_MAX:
        raise argparse.ArgumentTypeError(f"{word!r}: a number of balls from 1 to {BALLS_MAX} is expected")
    return int(word)


def run(args: argparse.Namespace) -> int:
    """Run the checks; return the exit status."""
    import secrets
    import sys
    import time

    import zmq

    from drillfeed.clients.probe import verdict
    from drillfeed.clients.probe.probe import TABLE, Probe
    from drillfeed.clients.probe.run import run_probe
    from drillfeed.daemon.shell.endpoint import Held
    from drillfeed.daemon.shell.link_socket import LinkTaken

    if args.list:
        print(verdict.table_text())
        return verdict.HOLDS
    unknown = set(args.only) - {check.name for check in TABLE}
    if unknown or not args.link:
        what = f"no check {', '.join(sorted(unknown))}; --list prints them" if unknown else "--link ENDPOINT is missing"
        print(f"drillfeed probe-driver: {what}", file=sys.stderr)
        return 2
    probe = Probe(
        f"probe-{secrets.token_hex(4)}",
        time.monotonic(),
        can_freeze=args.pid is not None,
        only=args.only,
        balls=args.balls,
    )

    def ask(running: Probe, phase: "Phase") -> str | None:
        return _refusal(running, phase, args)

    def told(row: "Row") -> None:
        if not args.json:
            print(verdict.row_text(row), flush=True)

    try:
        with Held(args.link):
            print(f"listening on {args.link}; start the driver", file=sys.stderr, flush=True)
            came = run_probe(args.link, probe, ask, told, args.wait, args.pid)
    except LinkTaken as error:
        print(f"drillfeed probe-driver: {error}. Next: is a daemon running? drillfeed send status", file=sys.stderr)
        return 2
    except (zmq.ZMQError, ProcessLookupError, PermissionError) as error:
        print(f"drillfeed probe-driver: {args.link}: {error}", file=sys.stderr)
        return 2
    if not came:
        print(f"no driver came to {args.link} within {args.wait:g} s", file=sys.stderr)
        return verdict.NO_DRIVER
    print((verdict.verdict_json if args.json else verdict.verdict_text)(probe.rows, probe.bench.hello))
    return verdict.exit_status(probe.rows)


def _refusal(probe: "Probe", phase: "Phase", args: argparse.Namespace) -> str | None:
    """Ask the person at the machine; return None for yes, or the reason why these checks are left out."""
    import sys

    from drillfeed.clients.probe.turning import more_rpm

    hello = probe.bench.hello
    if phase == "feeding" and not (args.feed or args.balls):
        return "asks for balls: only with --feed"
    if hello is None:
        return "the driver sent no hello: what its wheels may do is not known"
    if args.yes and hello.simulated:
        return None
    if not sys.stdin.isatty():
        return "nobody to ask" + (", and the driver does not say that it is simulated" if args.yes else "; see --yes")
    what = (
        f"Now wheels turn, at up to {more_rpm(probe.bench):.0f} rpm; no ball is asked for."
        if phase == "armed"
        else f"Now single balls are asked for, at that speed; {args.balls} are loaded, as you say. Stand aside."
        if args.balls
        else "Now single balls are asked for, at that speed. Leave the hopper empty, or stand aside."
    )
    print(
        f"\n{what} Nobody in front of the opening, hands, hair and sleeves off the wheels, the motor switch in reach."
        "\nGo on? [y/N] ",
        end="",
        file=sys.stderr,
        flush=True,
    )
    return None if sys.stdin.readline().strip().lower() in ("y", "yes") else "declined"
