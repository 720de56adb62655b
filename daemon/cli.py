"""The `drillfeed` command: a table of sub-commands, each imported only when it is called."""

import argparse
import importlib
import sys
from collections.abc import Sequence

from drillfeed.protocol.retired import RETIRED_OPTIONS

GROUPS: dict[str, dict[str, str]] = {
    "to practise": {
        "play": "daemon, driver, phone page and keyboard screen with one command",
        "demo": "run a drill on a simulated thrower, and see each ball",
        "keyboard": "single keys and one screen",
        "pedal": "a foot switch",
        "phone": "a page for the phone, with a code to pair it",
        "pair": "pair this terminal with a daemon elsewhere",
        "prompt": "type commands, with completion and history",
        "list": "list drills, ball types or machines",
        "plan": "what to practise today, and why",
        "history": "read the practice journal",
        "report": "what the marks say, after a session or over weeks",
        "export": "write a player's practice as files",
        "players": "list players, or forget one",
    },
    "to build and measure a thrower": {
        "profile": "describe a thrower, question by question; measure it further",
        "check": "check machine, ball and drill files",
        "calibrate": "learn a machine from measured landings",
        "jog": "turn a wheel or the tilt, or throw one ball, while a key is held",
        "rehearse": "print a drill's plan without throwing",
        "fly": "fly one ball and tell where it lands",
        "aim": "find wheel speeds and tilt for a ball",
        "spread": "tell how far balls of one type scatter",
        "plot": "draw a flight, a drill's landings or a machine's envelope",
    },
    "to run and connect the parts": {
        "serve": "run the daemon",
        "drive": "run a motor driver",
        "probe-driver": "check a motor driver against the rules of the link",
        "record": "keep setpoints and status from the observer stream",
        "replay": "draw a recording, or run it again on a driver, without a ball",
        "send": "give the daemon a command",
        "watch": "see what happens, as it happens",
    },
}
SUBCOMMANDS: dict[str, str] = {name: what for group in GROUPS.values() for name, what in group.items()}
CAUTION = (
    "Nobody between thrower and table; keep fingers, hair and sleeves off the\n"
    "wheels; fit a real switch that cuts motor power. This software performs no\nsafety function."
)


SIGNALLED = 128
"""A program ended by a signal exits with this plus the signal's number: common practice of shells."""


def _version() -> str:
    from importlib.metadata import version

    return version("drillfeed")


def _overview() -> str:
    width = max(map(len, SUBCOMMANDS))
    rows = "\n\n".join(
        f"{title}:\n" + "\n".join(f"  {name:<{width}}  {what}" for name, what in group.items())
        for title, group in GROUPS.items()
    )
    return (
        "examples:\n"
        "  drillfeed play                        everything in one terminal, simulated\n"
        "  drillfeed demo --balls 12             a random mixed-spin drill to watch\n"
        "  drillfeed send 'load mixed-spin' arm  commands from a shell\n\n"
        f"usage: drillfeed SUB-COMMAND [--help]\n\n{rows}\n\n{CAUTION}"
    )


def main(argv: Sequence[str] | None = None) -> int:
    """Run one sub-command and return its exit status; 2 if the command line is wrong."""
    from drillfeed.daemon.shell.output import ReaderGone, plain_output

    try:
        with plain_output():
            return _main(list(sys.argv[1:] if argv is None else argv))
    except ReaderGone as gone:
        return int(gone.code or 0)


def _main(arguments: list[str]) -> int:
    if not arguments or arguments[0] in ("-h", "--help", "help"):
        print(_overview())
        return 0 if arguments else 2
    if arguments[0] in ("-V", "--version"):
        print(f"drillfeed {_version()}")
        return 0
    name = arguments[0]
    if name not in SUBCOMMANDS:
        import difflib

        near = difflib.get_close_matches(name, SUBCOMMANDS, n=1)
        hint = f"; perhaps {near[0]}" if near else ""
        print(f"drillfeed: no sub-command {name}{hint}. Next: drillfeed --help", file=sys.stderr)
        return 2
    module = importlib.import_module(f"drillfeed.daemon.subcommands.{name.replace('-', '_')}")
    parser = argparse.ArgumentParser(
        prog=f"drillfeed {name}",
        description=f"{SUBCOMMANDS[name]}.",
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    module.add_arguments(parser)
    for option in (argument.split("=", 1)[0] for argument in arguments[1:]):
        if new := RETIRED_OPTIONS.get((name, option)):
            print(f"drillfeed {name}: {option} is called {new} now. Next: drillfeed {name} --help", file=sys.stderr)
            return 2
    if {"-h", "--help"} & set(arguments[1:]):
        print(f"{module.EXAMPLES.rstrip()}\n\n{parser.format_help().rstrip()}")
        return 0
    from drillfeed.clients.ending import Ended, in_order

    try:
        with in_order():
            return int(module.run(parser.parse_args(arguments[1:])))
    except Ended as ended:
        return SIGNALLED + ended.number
    except KeyboardInterrupt:
        return 130


if __name__ == "__main__":
    sys.exit(main())
