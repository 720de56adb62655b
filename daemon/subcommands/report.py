"""`drillfeed report`: what the marks say about a player's practice, after a session or over the weeks.

Rule of this file: it only reads the journal. It writes no file but the one that is named.
"""

import argparse
from typing import TYPE_CHECKING

from drillfeed.daemon.subcommands.practised import add_practised, with_practice

if TYPE_CHECKING:
    from drillfeed.daemon.subcommands.practised import Practised

EXAMPLES = """\
examples:
  drillfeed report --player left-hander                    the weeks, in characters
  drillfeed report --player left-hander --session last     a session in twelve lines
  drillfeed report --player left-hander --out report.html  one page, for a browser or a printer
  drillfeed report --player left-hander --svg weeks.svg

Shares are told as they were marked, with the range they are likely in. Exit code: 0, or 2 where there is nothing to
be read.
"""
WIDTH = 80


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Add the arguments of `drillfeed report`."""
    add_practised(parser)
    parser.add_argument("--session", metavar="N", help="one session by its number, or the word last")
    parser.add_argument("--out", metavar="FILE", help="write the weeks as one HTML page")
    parser.add_argument("--svg", metavar="FILE", help="write the weeks of all ball types as one picture")


def run(args: argparse.Namespace) -> int:
    """Print or write the report; return the exit code."""
    return with_practice(args, "report", lambda practised: _report(practised, args))


def _report(practised: "Practised", args: argparse.Namespace) -> int:
    from pathlib import Path

    from drillfeed.daemon.journal.knowledge import Knowledge
    from drillfeed.daemon.learning.page import weeks_lines, weeks_page
    from drillfeed.daemon.learning.pictures import whole_svg
    from drillfeed.daemon.learning.report import session_lines
    from drillfeed.protocol.errors import Refused

    known = practised.knowledge
    if not known.sets:
        raise Refused("unknown-name", f"no practice of {practised.shown_name} is in the journal yet")
    if args.session is not None:
        sessions = [some.session_id for some in known.sets if some.balls]
        asked = str(sessions[-1]) if args.session == "last" and sessions else args.session
        if not asked.isdigit() or int(asked) not in sessions:
            raise Refused("unknown-name", f"{practised.shown_name} has no session {asked}", do="drillfeed history")
        # A session is told as it was known on its day, unless a day was given.
        day = max(some.day for some in known.sets if some.session_id == int(asked))
        then = known if args.day else Knowledge(tuple(some for some in known.sets if some.day <= day), day)
        print("\n".join(session_lines(then.session(int(asked)))))
        return 0
    figures = known.weeks(practised.shown_name)
    written = ((args.out, weeks_page), (args.svg, whole_svg))
    for name, write in written:
        if name is not None:
            Path(name).write_text(write(figures), encoding="utf-8")
            print(f"written to {name}")
    if args.out is None and args.svg is None:
        print("\n".join(weeks_lines(figures, WIDTH)))
    return 0
