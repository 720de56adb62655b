"""What may stand at the driver's end of a fault bench, and which scenarios it can take.

Rule of this file: a table. A board is a row of `ROWS`; what a scenario needs of a board is a row of `NEEDS`, or of
`NEEDS_OF_FILE` for all others of its file; what a board can is a column. Nothing else knows one board from another.
"""

import os
import sys
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Literal

from tests.support.firmware import firmware
from tests.support.other_languages import DRIVERS, c_driver, node_driver

Need = Literal["driver", "clock", "step", "faults", "daemon"]

USUAL = "simulated"
WHICH = "DRILLFEED_FAULTS_BOARD"
"""The variable of the environment that names the board of a whole run, so that each thread's benches agree."""

WHY_NOT: dict[Need, str] = {
    "driver": "every board can",
    "clock": "the clock of a program that is not in Python cannot be bent by the bench",
    "step": "can be made in Python only; a serial driver loses its board by it (silent for 100 ms): FAULT at once",
    "faults": "harm to a part of the thrower, which only the simulated one can be told to feign",
    "daemon": "harm to the daemon's own parts or files, the same whichever board is there",
}
NEEDS_OF_FILE: dict[str, Need] = {
    "throwers": "faults",
    "unasked": "faults",
    "insides": "daemon",
    "disks": "daemon",
    "named_files": "daemon",
    "comers": "daemon",
}
NEEDS: dict[str, Need] = {
    "clock-drift": "clock",
    "clock-step": "step",
    "wall-clock": "clock",
    "second-daemon": "daemon",
    "second-on-ipc-link": "daemon",
    "hopper-empty": "driver",
    "cpu-oversubscribed": "driver",
}


@dataclass(frozen=True)
class Place:
    """Where a driver is put: the endpoint it connects to, its log, the bench's folder, and how Python is bent."""

    endpoint: str
    machine: str
    log: Path
    folder: Path
    module: Sequence[str]
    seed: int
    faults: Sequence[str]

    def shipped(self, *words: str) -> list[str]:
        """Return the command line of the shipped driver, `drillfeed drive WORDS`."""
        where = ("--link", self.endpoint, "--machine", self.machine, "--log", str(self.log))
        return [sys.executable, "-m", *self.module, "drive", *words, *where]


Commands = Mapping[str, list[str]]
Start = Callable[[Place], Commands]


@dataclass(frozen=True)
class Board:
    """One kind of driver with its board.

    `machine` is a profile that the driver's own limits allow. `start` gives a command line for each process, by name;
    those that run already are left alone. `build` makes what they need, or skips with the reason.
    """

    name: str
    title: str
    machine: str
    start: Start
    can: frozenset[Need]
    build: Callable[[], object]

    @property
    def document(self) -> str:
        """Return the name of the file that its table goes to."""
        return "TABLE.md" if self.name == USUAL else f"TABLE-{self.name}.md"


def _simulated(place: Place) -> Commands:
    bent = [word for fault in place.faults for word in ("--fault", fault)]
    return {"driver": place.shipped("simulated", "--seed", str(place.seed), *bent)}


def _serial(place: Place) -> Commands:
    tty = str(place.folder / "board.tty")
    return {
        "board": [str(firmware()), "--tty", tty, "--log", str(place.folder / "board.jsonl")],
        "driver": place.shipped("serial", "--port", tty, "--simulated"),
    }


def _c(place: Place) -> Commands:
    return {"driver": [str(c_driver()), place.endpoint, "--log", str(place.log)]}


def _node(place: Place) -> Commands:
    return {"driver": [*node_driver(), place.endpoint, "--log", str(place.log)]}


ROWS = (
    Board(
        USUAL,
        "a simulated thrower",
        "club-build",
        _simulated,
        frozenset(WHY_NOT),
        lambda: None,
    ),
    Board(
        "serial",
        "`drillfeed drive serial` on the C firmware behind a pseudo-terminal",
        "club-build",
        _serial,
        frozenset({"driver", "clock"}),
        firmware,
    ),
    Board(
        "c",
        "the example driver in C",
        str(DRIVERS / "c" / "example-c.toml"),
        _c,
        frozenset({"driver"}),
        c_driver,
    ),
    Board(
        "node",
        "the example driver in JavaScript",
        str(DRIVERS / "node" / "example-js.toml"),
        _node,
        frozenset({"driver"}),
        node_driver,
    ),
)
BOARDS = {board.name: board for board in ROWS}
"""By name; the usual one is in every test run, the others where there is time (`pytest -m slow`)."""


def in_place() -> Board:
    """Return the board of this run."""
    return BOARDS[os.environ.get(WHICH, USUAL)]


def need(name: str, file: str) -> Need:
    """Return what a scenario needs of a board, by its name and that of its file (the last part of the module)."""
    return NEEDS.get(name, NEEDS_OF_FILE.get(file, "driver"))
