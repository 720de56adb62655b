"""`python -m tests.faults`: do harm to real processes, and tell from the driver's own log whether it was survived.

    python -m tests.faults                    every scenario, one after another
    python -m tests.faults --together 2       two at a time
    python -m tests.faults --list
    python -m tests.faults --only daemon-killed --only stop-in-flood
    python -m tests.faults --json             one JSON object a scenario
    python -m tests.faults --write            and write TABLE.md
    python -m tests.faults --board serial     the driver's half on another board: serial, c, node
    python -m tests.faults --board c --list   which of them, and why not the others
    python -m tests.faults soak --minutes 20 --seed 3
    python -m tests.faults.stop_flood         stops from new clients while strangers open connections

Exit 0 only if every scenario holds. `inconclusive`: the machine itself stalled; the scenario is repeated.
"""

import argparse
import json
import multiprocessing
import os
import platform
import sys
import time
from collections.abc import Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import asdict, dataclass
from pathlib import Path

import pytest

from tests.faults import (
    boards,
    comers,
    disks,
    hands,
    insides,
    links,
    named_files,
    processes,
    stops,
    strangers,
    throwers,
    unasked,
)
from tests.faults.bench import NotReady
from tests.faults.verdict import Scenario, Seen, Verdict

FILES = (stops, hands, processes, links, strangers, insides, disks, named_files, throwers, unasked, comers)
SCENARIOS: tuple[Scenario, ...] = tuple(scenario for file in FILES for scenario in file.SCENARIOS)
NEEDS = {
    scenario.name: boards.need(scenario.name, file.__name__.split(".")[-1])
    for file in FILES
    for scenario in file.SCENARIOS
}
TRIES = 3
FOLDER = Path(__file__).parent


@dataclass(frozen=True)
class Row:
    """One row of the table as it came out."""

    scenario: str
    injected: str
    expected: str
    seen: str
    verdict: Verdict
    tries: int
    took_s: float


def run_one(scenario: Scenario, tries: int = TRIES) -> Row:
    """Run a scenario; repeat it while the machine stalled."""
    began_s = time.monotonic()
    seen = Seen("not run", "inconclusive")
    done = 0
    while done < tries and seen.verdict == "inconclusive":
        done += 1
        try:
            seen = scenario.run()
        except NotReady as error:
            seen = Seen(f"the bench did not come up: {error}", "inconclusive" if done < tries else "fails")
        except Exception as error:
            seen = Seen(f"{type(error).__name__}: {error}", "fails")
    took_s = round(time.monotonic() - began_s, 1)
    return Row(scenario.name, scenario.injected, scenario.expected, seen.text, seen.verdict, done, took_s)


def run_named(name: str) -> Row:
    """Run the scenario of a name, in whatever process."""
    return run_one(next(scenario for scenario in SCENARIOS if scenario.name == name))


def chosen(only: Sequence[str], board: boards.Board) -> list[Scenario]:
    """Return the scenarios by number or name; all that the board can take where none is named."""
    numbered = {str(n): scenario for n, scenario in enumerate(SCENARIOS, 1)}
    named = {scenario.name: scenario for scenario in SCENARIOS}
    strange = [name for name in only if name not in named and name not in numbered]
    if strange:
        raise SystemExit(f"no scenario {strange[0]}; expected one of: {', '.join(named)}")
    if not only:
        return [scenario for scenario in SCENARIOS if NEEDS[scenario.name] in board.can]
    wanted = [named.get(name) or numbered[name] for name in only]
    for scenario in wanted:
        if NEEDS[scenario.name] not in board.can:
            raise SystemExit(f"{scenario.name} is not for {board.title}: {boards.WHY_NOT[NEEDS[scenario.name]]}")
    return wanted


def listing(board: boards.Board) -> list[str]:
    """Return a line for each scenario, with the reason where the board can't take it."""
    lines = []
    for n, scenario in enumerate(SCENARIOS, 1):
        need = NEEDS[scenario.name]
        told = scenario.injected if need in board.can else f"NOT HERE: {boards.WHY_NOT[need]}"
        lines.append(f"{n:>2} {scenario.name:<22} {told}")
    return lines


def machine_kind() -> str:
    """Return what the table says of the machine it was made on."""
    return f"{os.cpu_count()} cores, {platform.system()} {platform.machine()}, Python {platform.python_version()}"


def table(rows: Sequence[Row], board: boards.Board) -> str:
    """Return the rows as a document, with the date and the machine's kind."""
    held = sum(row.verdict == "holds" for row in rows)
    lines = [
        "# What was done to daemon and driver, and what the driver's own log says",
        "",
        f"Written by `python -m tests.faults --board {board.name} --write`: real processes on loopback,",
        f"{board.title}. Every log is also held against the invariants of",
        "`tests/support/driver_log.py`. `inconclusive`: the machine itself stalled for more than half a bound; the",
        "scenario is repeated, and counts as held only if it holds then.",
        "",
        f"{held} of {len(rows)} hold. {time.strftime('%Y-%m-%d')}; {machine_kind()}.",
        "",
        "| scenario | injected | expected | seen | verdict |",
        "|---|---|---|---|---|",
    ]
    for row in rows:
        cells = (row.scenario, row.injected, row.expected, row.seen, row.verdict)
        lines.append("| " + " | ".join(" ".join(cell.split()).replace("|", "/") for cell in cells) + " |")
    done = {row.scenario for row in rows}
    absent: dict[str, list[str]] = {}
    for scenario in SCENARIOS:
        if scenario.name not in done:
            need = NEEDS[scenario.name]
            why = "not run this time" if need in board.can else f"not on this board: {boards.WHY_NOT[need]}"
            absent.setdefault(why, []).append(scenario.name)
    if absent:
        lines += ["", *(f"- {why}: {', '.join(names)}." for why, names in absent.items())]
    return "\n".join(lines) + "\n"


def main(argv: Sequence[str] | None = None) -> int:
    """Run the scenarios and print the table."""
    arguments = list(sys.argv[1:] if argv is None else argv)
    if arguments[:1] == ["soak"]:
        from tests.faults.soak import main as soak

        return soak(arguments[1:])
    parser = argparse.ArgumentParser(
        prog="python -m tests.faults", description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--only", action="append", default=[], metavar="N", help="number or name; may be repeated")
    parser.add_argument("--together", type=int, default=1, metavar="N", help="how many at a time (1)")
    parser.add_argument("--list", action="store_true")
    parser.add_argument("--json", action="store_true")
    parser.add_argument("--write", action="store_true", help="write TABLE.md, or the board's own TABLE-NAME.md")
    parser.add_argument("--board", choices=boards.BOARDS, default=boards.USUAL, help="at the driver's end (simulated)")
    args = parser.parse_args(arguments)
    board = boards.BOARDS[args.board]
    if args.list:
        print("\n".join(listing(board)))
        return 0
    try:
        board.build()
    except (pytest.skip.Exception, pytest.fail.Exception) as error:
        raise SystemExit(str(error)) from None
    os.environ[boards.WHICH] = args.board
    rows = []
    # Each bench in a process of its own: on threads they would keep one another waiting, and each other's proxies.
    with ProcessPoolExecutor(max(args.together, 1), multiprocessing.get_context("fork")) as benches:
        for row in benches.map(run_named, [scenario.name for scenario in chosen(args.only, board)]):
            rows.append(row)
            if args.json:
                print(json.dumps(asdict(row)), flush=True)
            else:
                print(f"{row.verdict:<13}{row.scenario:<28}{row.took_s:>6.1f} s  {row.seen}", flush=True)
    if args.write:
        FOLDER.joinpath(board.document).write_text(table(rows, board), encoding="utf-8")
    held = sum(row.verdict == "holds" for row in rows)
    if not args.json:
        print(f"{held} of {len(rows)} hold. {time.strftime('%Y-%m-%d')}, {machine_kind()}")
    return 0 if held == len(rows) else 1


if __name__ == "__main__":
    sys.exit(main())
