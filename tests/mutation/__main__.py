"""`python -m tests.mutation`: make small wrong changes to the source and see whether the nearest tests notice.

    python -m tests.mutation cover                       run the tests once, note which test runs which line
    python -m tests.mutation run --count 600 --seed 1    draw changes, try each, print what survives
    python -m tests.mutation run --only daemon/engine    draw from one folder
    python -m tests.mutation show --line daemon/engine/feeder.py:22

A change that survives shows that a test is missing, unless it makes no difference: then it has a row in REASONS.toml.
Exit 0 if at most 6 of 100 survive without a reason.
"""

import argparse
import os
import random
import sys
import tempfile
import time
import tomllib
from collections.abc import Sequence
from pathlib import Path

# Imported before the processes are forked: what the tests need of others.
import hypothesis  # noqa: F401
import numpy  # noqa: F401
import pydantic  # noqa: F401
import scipy.integrate
import scipy.optimize
import scipy.stats  # noqa: F401
import structlog  # noqa: F401
import zmq  # noqa: F401

from tests.mutation.changes import Change, changes
from tests.mutation.covering import ROOT, TESTS, Map, cover, sources
from tests.mutation.trying import try_change

MAX_SHARE = 0.06
REASONS = Path(__file__).with_name("REASONS.toml")
MAP = Path(tempfile.gettempdir()) / "drillfeed-mutation-map.json"
BUDGET_S = 25.0
PATIENCE_S = 240


def every_change(only: str) -> list[Change]:
    """Return every change of the files whose path begins with `only`, in order."""
    found = []
    for path in sources():
        if str(path).startswith(only):
            found += changes(str(path), (ROOT / path).read_text())
    return found


def reason(change: Change, rows: dict[str, dict[str, str]]) -> str:
    """Return why a change makes no difference, or nothing."""
    by_file = rows.get(change.path, {})
    return by_file.get(f"{change.before} -> {change.after}", by_file.get("*", ""))


def run(arguments: argparse.Namespace) -> int:
    """Try the changes drawn; return 0 if few enough survive without a reason."""
    known = Map(arguments.map)
    rows = tomllib.loads(REASONS.read_text())
    drawn = every_change(arguments.only)
    random.Random(arguments.seed).shuffle(drawn)
    drawn = drawn[: arguments.count][arguments.part - 1 :: arguments.parts]
    tally = {"killed": 0, "timeout": 0, "survived": 0, "no test": 0}
    open_changes = 0
    began = time.monotonic()
    for number, change in enumerate(drawn, 1):
        tests = known.tests(change.path, change.line, change.end_line, BUDGET_S)
        if number == 1 and try_change(ROOT, None, tests, PATIENCE_S) != "survived":
            print("the tests fail on the source as it is: mend that first", file=sys.stderr)
            return 2
        why = reason(change, rows)
        verdict = "reasoned" if why else try_change(ROOT, change, tests, PATIENCE_S)
        tally[verdict] = tally.get(verdict, 0) + 1
        if verdict in ("survived", "no test"):
            open_changes += 1
        if verdict not in ("killed", "timeout"):
            print(f"{verdict:9} {change}{'   ' + why if why else ''}", flush=True)
        if sys.stderr.isatty():
            print(f"{number} of {len(drawn)}", end="\r", file=sys.stderr)
    share = open_changes / max(len(drawn), 1)
    print(
        f"{len(drawn)} changes, seed {arguments.seed}: " + ", ".join(f"{count} {what}" for what, count in tally.items())
    )
    print(f"{open_changes} survive without a reason ({share:.1%}); {time.monotonic() - began:.0f} s")
    return 0 if share <= MAX_SHARE else 1


def show(arguments: argparse.Namespace) -> int:
    """Print the changes of a line, with the tests that would be run."""
    path, line = arguments.line.rsplit(":", 1)
    known = Map(arguments.map)
    for change in changes(path, (ROOT / path).read_text()):
        if change.line == int(line):
            print(change)
            for name in known.tests(path, change.line, change.end_line, BUDGET_S)[:20]:
                print(f"    {known.seconds[name]:7.2f} s  {name}")
    return 0


def main(words: Sequence[str] | None = None) -> int:
    """Read the command line and do what it says."""
    parser = argparse.ArgumentParser(
        prog="python -m tests.mutation", description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("what", choices=("cover", "run", "show"))
    parser.add_argument("--map", type=Path, default=MAP, help="the file that says which test runs which line")
    parser.add_argument("--count", type=int, default=600)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--only", default="", help="a folder or file of the tree")
    parser.add_argument("--parts", type=int, default=1, help="split the changes among this many runs")
    parser.add_argument("--part", type=int, default=1)
    parser.add_argument("--line", help="FILE:LINE")
    parser.add_argument("--folders", nargs="*", default=TESTS)
    arguments = parser.parse_args(words)
    os.environ["CI"] = "true"
    if arguments.what == "cover":
        print(f"{cover(tuple(arguments.folders), arguments.map)} tests, map in {arguments.map}")
        return 0
    return {"run": run, "show": show}[arguments.what](arguments)


if __name__ == "__main__":
    sys.exit(main())
