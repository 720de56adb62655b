"""`drillfeed history`: what was practised, from the journal.

Rule of this file: it only reads the file, with or without a daemon. Data goes to standard output, so it can be piped.
"""

import argparse
import sys
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    import sqlite3
    from pathlib import Path

    from drillfeed.daemon.journal.limits import Limits

EXAMPLES = """\
examples:
  drillfeed history                        the last sessions, balls of today and of seven days
  drillfeed history last                   the last session in full
  drillfeed history 12 --json              session 12, for a program
  drillfeed history --player left-hander --csv > sets.csv

A blank figure is not known: nobody saw it, or nobody marked it. Exit code: 0, or 2 where there is no such session
or no journal to be read.
"""

SHOWN = 20
FALLBACK = (80, 24)


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Add the arguments of `drillfeed history`."""
    parser.add_argument("session", nargs="?", metavar="SESSION", help="the number of a session, or the word last")
    parser.add_argument("--player", metavar="P", help="only sets of this player")
    form = parser.add_mutually_exclusive_group()
    form.add_argument("--json", action="store_true", help="one JSON object; what is not known is null")
    form.add_argument("--csv", action="store_true", help="a line a session, or with SESSION a line a ball")
    parser.add_argument("--all", action="store_true", help="every session, those without a ball too")
    parser.add_argument("--journal", metavar="FILE", help="the journal (journal.sqlite in the state folder)")
    parser.add_argument("--config", metavar="FILE", help="the daemon's TOML file, for its journal and limits")


def run(args: argparse.Namespace) -> int:
    """Print all sessions or one session; return the exit code."""
    import contextlib
    import sqlite3

    from drillfeed.daemon.journal.players import find_player
    from drillfeed.daemon.journal.schema import NotOurs, open_to_read
    from drillfeed.daemon.validation import InvalidFile
    from drillfeed.protocol.errors import Refused

    try:
        path, limits = _settings(args)
        with contextlib.closing(open_to_read(path)) as connection:
            number = _number(connection, args.session)
            if args.player is not None:
                find_player(connection, args.player)
            print("\n".join(_lines(connection, number, args, limits)))
    except InvalidFile as error:
        print(error, file=sys.stderr)
        return 2
    except sqlite3.Error as error:
        print(f"drillfeed history: {path}: {error}", file=sys.stderr)
        return 2
    except (Refused, NotOurs, OSError) as error:
        text = error.text if isinstance(error, Refused) else str(error)
        print(f"drillfeed history: {text}", file=sys.stderr)
        return 2
    except (TypeError, ValueError, OverflowError, KeyError) as error:
        print(f"drillfeed history: {path} holds what makes no sense: {error}", file=sys.stderr)
        return 2
    return 0


def _settings(args: argparse.Namespace) -> "tuple[Path, Limits]":
    from pathlib import Path

    from drillfeed.daemon.config import journal_file, read_config
    from drillfeed.daemon.journal.limits import Limits

    config = read_config(Path(args.config) if args.config else None, {"journal": args.journal})
    return journal_file(config), Limits(config.day_balls, config.seven_days_balls, config.players)


def _number(connection: "sqlite3.Connection", asked: str | None) -> int | None:
    from drillfeed.protocol.errors import Refused

    if asked is None:
        return None
    if asked == "last":
        newest = connection.execute("SELECT max(session_id) FROM throws").fetchone()[0]
        if newest is None:
            raise Refused("unknown-name", "no session with a ball is in the journal yet")
        return int(newest)
    if not asked.isdigit():
        raise Refused("bad-argument", "the session", expected="its number, or the word last", found=asked)
    return int(asked)


def _lines(
    connection: "sqlite3.Connection", number: int | None, args: argparse.Namespace, limits: "Limits"
) -> list[str]:
    import shutil
    from datetime import datetime

    from drillfeed.daemon.journal import reading, report

    width = shutil.get_terminal_size(FALLBACK).columns
    if number is not None:
        found = reading.session(connection, number, args.player)
        if args.csv:
            return report.as_csv(found.throws).splitlines()
        return [report.as_json(**vars(found))] if args.json else report.session_lines(found, width)
    every = reading.sessions(connection, args.player)
    listed = every if args.all else [session for session in every if session.commanded or session.faults]
    if args.csv:
        return report.as_csv(listed).splitlines()
    loads = reading.loads(connection, datetime.now(), args.player)
    shares = reading.shares(connection, reading.all_sets(connection, args.player))
    if args.json:
        return [report.as_json(sessions=listed, loads=loads, shares=shares)]
    shown = listed if args.all else listed[:SHOWN]
    lines = report.sessions_lines(shown, loads, limits, width)
    if len(shown) < len(every):
        lines += ["", f"{len(every) - len(shown)} more, older or without a ball: --all"]
    table = report.shares_lines(shares, width)
    return [*lines, *(["", "made, by ball type, over all sessions", *table] if table else [])]
