"""The level of a player as an argument of sub-commands that plan without a daemon."""

import argparse
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from drillfeed.daemon.drills.profiles import Profile


def add_level(parser: argparse.ArgumentParser) -> None:
    """Add `--level`, and `--config` for the limits that a house has set."""
    what = "within the limits of such a player; left out: those of machine and drill alone"
    parser.add_argument("--level", choices=("junior", "club", "advanced"), help=what)
    parser.add_argument("--config", metavar="FILE", help="the daemon's TOML file, for its [players.LEVEL]")


def chosen_profile(args: argparse.Namespace) -> "Profile | None":
    """Return the limits of the named level, or None if none was named; raise InvalidFile."""
    from pathlib import Path

    from drillfeed.daemon.config import read_config

    if args.level is None:
        return None
    return read_config(Path(args.config) if args.config else None, {}).players.of(args.level)
