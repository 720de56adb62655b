"""The `drillfeed` command: a table of sub-commands, each imported only when it is called."""

import argparse
import importlib
import sys
from collections.abc import Sequence

from drillfeed.protocol.retired import RETIRED_OPTIONS

SUBCOMMANDS: dict[str, str] = {
    "demo": "run a drill on a simulated thrower, with everything real but the thrower",
    "play": "daemon, driver, phone page and keyboard screen with one command",
    "serve": "run the daemon",
    "drive": "run a motor driver",
    "probe-driver": "check a motor driver against the rules of the link",
    "record": "keep setpoints and status from the observer stream",
    "replay": "draw a recording, or run it again on a driver, without a ball",
    "send": "give the daemon a command",
    "watch": "see what happens, as it happens",
    "history": "read the practice journal",
    "plan": "what to practise today, and why",
    "report": "what the marks say, after a session or over weeks",
    "export": "write a player's practice as files",
    "players": "list players, or forget one",
    "prompt": "type commands, with completion and history",
    "keyboard": "single keys and one screen",
    "pedal": "a foot switch",
    "jog": "turn a wheel, the tilt or one ball by hand, for as long as a key is held",
    "phone": "a page for the phone, with a code to pair it",
    "pair": "pair this terminal with a daemon elsewhere",
    "profile": "describe a thrower question by question, and measure it further",
    "list": "list drills, ball types or machines",
    "check": "check machine, ball and drill files",
    "rehearse": "print a drill's plan without throwing",
    "fly": "fly one ball and tell where it lands",
    "aim": "find wheel speeds and tilt for a ball",
    "spread": "tell how far balls of one type scatter",
    "calibrate": "learn a machine from measured landings",
    "plot": "draw a flight, a drill's landings or a machine's envelope",
}
CAUTION = (
    "Nobody between thrower and table; keep fingers, hair and sleeves off the wheels; fit a real switch that cuts "
    "motor power. This software performs no safety function."
)


SIGNALLED = 128
"""A program ended by a signal exits with this plus the signal's number: common practice of shells."""


def _version() -> str:
    from importlib.metadata import version

    return version("drillfeed")


def _overview() -> str:
    width = max(map(len, SUBCOMMANDS))
    rows = "\n".join(f"  {name:<{width}}  {what}" for name, what in SUBCOMMANDS.items())
    return (
        "examples:\n"
        "  drillfeed demo --balls 12                 a random mixed-spin drill on the simulated thrower\n"
        "  drillfeed serve                           the daemon, for a thrower of yours\n"
        "  drillfeed send 'load mixed-spin' arm      commands from a shell\n\n"
        f"usage: drillfeed SUB-COMMAND [--help]\n\nsub-commands:\n{rows}\n\n{CAUTION}"
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
