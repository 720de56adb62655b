"""`drillfeed check`: read files, name every mistake in them, and summarise what they describe."""

import argparse

from drillfeed.daemon.subcommands.levels import add_level, chosen_profile

EXAMPLES = """\
examples:
  drillfeed check my-thrower.toml               what the profile comes to: rims, launch speeds, spin, balls/min
  drillfeed check my-drill.toml --machine my-thrower.toml
  drillfeed check my-drill.toml --level junior  what becomes of it for a junior, and what holds it back
  drillfeed check my-drills/*.toml my-drills/balls/*.toml
"""


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Add the arguments of `drillfeed check`."""
    parser.add_argument("files", nargs="+", metavar="FILE", help="machine profiles, ball types, drills; or names")
    parser.add_argument("--machine", default="club-build", metavar="M", help="machine that drills and balls are for")
    add_level(parser)
    parser.add_argument("--drills", metavar="DIR", help="folder of your own drills, ball types in DIR/balls")


def run(args: argparse.Namespace) -> int:
    """Check each file; return 0 if all are good, 2 if any is not."""
    import sys
    from pathlib import Path

    from drillfeed.daemon.checking import check_file
    from drillfeed.daemon.drills.players import Player
    from drillfeed.daemon.library.loading import load_machine
    from drillfeed.daemon.planning.setting import NotPossible
    from drillfeed.daemon.validation import InvalidFile

    status = 0
    for name in args.files:
        try:
            machine = load_machine(args.machine)
            player = Player(profile=chosen_profile(args))
            lines = check_file(name, machine, Path(args.drills) if args.drills else None, player)
        except InvalidFile as error:
            print(error, file=sys.stderr)
            status = 2
        except NotPossible as error:
            print(f"{name}: not possible on {machine.name}: {error}", file=sys.stderr)
            status = 2
        else:
            print("\n".join(lines))
    return status
