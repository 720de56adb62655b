"""`drillfeed players`: list the players of the journal, or forget one.

Rule of this file: forgetting asks first, unless `--yes` is typed, and says what it can't reach.
"""

import argparse
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    import sqlite3
    from pathlib import Path

EXAMPLES = """\
examples:
  drillfeed players list
  drillfeed players forget left-hander

`forget` takes the name out of the journal. The sets stay, as practice of nobody in particular. Stop the daemon first.
Exit code: 0, or 2 where there is no such player or the journal is in use.
"""


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Add the arguments of `drillfeed players`."""
    parser.add_argument("what", choices=["list", "forget"], help="list all players, or forget one")
    parser.add_argument("name", nargs="?", metavar="NAME", help="whom to forget")
    parser.add_argument("--yes", action="store_true", help="forget without asking")
    parser.add_argument("--journal", metavar="FILE", help="the journal (journal.sqlite in the state folder)")
    parser.add_argument("--config", metavar="FILE", help="the daemon's TOML file, for its journal")


def run(args: argparse.Namespace) -> int:
    """List or forget; return the exit code."""
    import contextlib
    import sqlite3
    import sys
    from pathlib import Path

    from drillfeed.daemon.config import journal_file, read_config
    from drillfeed.daemon.journal.forgetting import InUse
    from drillfeed.daemon.journal.schema import NotOurs, open_to_read, open_to_write
    from drillfeed.daemon.validation import InvalidFile
    from drillfeed.protocol.errors import Refused

    try:
        path = journal_file(read_config(Path(args.config) if args.config else None, {"journal": args.journal}))
        if not path.exists():
            raise FileNotFoundError(f"there is no journal at {path}")
        opener = open_to_read if args.what == "list" else open_to_write
        with contextlib.closing(opener(path)) as connection:
            return _list(connection) if args.what == "list" else _forget(connection, path, args)
    except InvalidFile as error:
        print(error, file=sys.stderr)
    except (Refused, NotOurs, InUse, sqlite3.Error, OSError) as error:
        text = error.text if isinstance(error, Refused) else str(error)
        more = "; stop the daemon, then try again" if isinstance(error, InUse) else ""
        print(f"drillfeed players: {text}{more}", file=sys.stderr)
    return 2


def _list(connection: "sqlite3.Connection") -> int:
    from drillfeed.daemon.journal.players import all_players

    for player in all_players(connection):
        print(f"{player.name}: {player.hand}-handed, {player.level}")
    return 0


def _forget(connection: "sqlite3.Connection", path: "Path", args: argparse.Namespace) -> int:
    from drillfeed.daemon.journal.forgetting import copies_beside, forget_player
    from drillfeed.daemon.journal.players import find_player
    from drillfeed.daemon.shell.output import ask
    from drillfeed.protocol.errors import Refused

    if args.name is None:
        raise Refused("bad-argument", "whom to forget", expected="players forget NAME", found="no name")
    player = find_player(connection, args.name)
    if not args.yes and ask(f"forget {player.name} for good? type yes: ").strip() != "yes":
        print("nothing changed")
        return 2
    sets = forget_player(connection, player.name)
    print(f"forgotten; {sets} sets stay, as practice of nobody in particular")
    print("not reached: backups of this computer, exports and reports written before, logs, other computers")
    for copy in copies_beside(path):
        print(f"not reached: {copy}")
    return 0
