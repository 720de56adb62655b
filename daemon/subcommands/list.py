"""`drillfeed list`: list drills, ball types or machines, and what a machine can do with them."""

import argparse

from drillfeed.daemon.subcommands.levels import add_level, chosen_profile

EXAMPLES = """\
examples:
  drillfeed list drills
  drillfeed list balls --machine kit-build
  drillfeed list drills --machine hall-pan --level junior
  drillfeed list machines --json
"""


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Add the arguments of `drillfeed list`."""
    parser.add_argument("of", choices=["drills", "balls", "machines"], help="what to list")
    parser.add_argument("--machine", default="club-build", metavar="M", help="machine profile: a name or a file")
    add_level(parser)
    parser.add_argument("--drills", metavar="DIR", help="folder of your own drills, ball types in DIR/balls")
    parser.add_argument("--json", action="store_true", help="a JSON line an entry")


def run(args: argparse.Namespace) -> int:
    """Print the listing; return 0, or 2 if a file is broken."""
    import json
    import sys
    from pathlib import Path

    from drillfeed.daemon.drills.players import Player
    from drillfeed.daemon.library.loading import load_machine
    from drillfeed.daemon.listing import listing
    from drillfeed.daemon.validation import InvalidFile

    try:
        player = Player(profile=chosen_profile(args))
        entries = listing(args.of, load_machine(args.machine), Path(args.drills) if args.drills else None, player)
    except InvalidFile as error:
        print(error, file=sys.stderr)
        return 2
    width = max((len(entry.name) for entry in entries), default=0)
    for entry in entries:
        print(json.dumps(entry.as_json()) if args.json else entry.line(width))
        if not args.json:
            for label, words in (("trains", entry.trains), ("move on", entry.move_on)):
                print(f"{'':<{width}}    {label}: {words}\n" if words else "", end="")
    return 0
