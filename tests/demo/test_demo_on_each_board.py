"""The demo's drill in real processes on each board; what daemon, journal and the board's side counted, held together.

Two of these take a while and are marked slow: python -m pytest -m slow tests/demo/test_demo_on_each_board.py
"""

import json
import os
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from drillfeed.daemon.demo.choice import DRILLS
from tests.faults.bench import Bench
from tests.faults.boards import BOARDS
from tests.support.driver_log import read_log

BALLS = 5
DRILL_S, JOURNAL_S = 60.0, 10.0
GOING_ON = ("FEEDING", "STOPPING")


def _history(bench: Bench) -> dict[str, Any]:
    """Return the last session as `drillfeed history` tells it."""
    told = subprocess.run(
        [sys.executable, "-m", "drillfeed.daemon.cli", "history", "last", "--json"],
        env={**os.environ, "XDG_STATE_HOME": str(bench.folder)},
        capture_output=True,
        text=True,
        timeout=60,
    )
    found: dict[str, Any] = json.loads(told.stdout) if told.returncode == 0 else {}
    return found


def _of_the_driver(folder: Path) -> dict[str, int]:
    """Return what a driver's log holds: balls pushed, and seen leaving by the time it was disarmed."""
    log = read_log(folder / "driver.jsonl")
    disarmed = [event for event in log if event["event"] == "disarm" and event["exits"] is not None]
    return {"fed": sum(event["event"] == "feed" for event in log), "seen": disarmed[-1]["exits"]}


def _of_the_firmware(folder: Path) -> dict[str, int]:
    """Return what the board itself wrote down, which knows no driver: pushes, and balls out of the wheels."""
    events = [event["event"] for event in read_log(folder / "board.jsonl")]
    return {"fed": events.count("push"), "seen": events.count("leaves")}


WRITTEN_BY: dict[str, tuple[Callable[[Path], dict[str, int]], ...]] = {
    "serial": (_of_the_driver, _of_the_firmware),
    "c": (_of_the_driver,),
    "node": (_of_the_driver,),
}


@pytest.mark.parametrize(
    "name",
    ["c", pytest.param("serial", marks=pytest.mark.slow), pytest.param("node", marks=pytest.mark.slow)],
)
def test_daemon_journal_and_board_count_the_same(name: str) -> None:
    """The drill runs through, and each ball fed and seen is in the status, in the journal and in the board's log."""
    BOARDS[name].build()
    with Bench(board=BOARDS[name]) as bench:
        client = bench.ready()
        start = client.snapshot().stop_count
        for reply in (client.balls(50), client.load(DRILLS[0], seed=1, balls=BALLS), client.arm(), client.start(start)):
            assert reply.ok, reply.text
        bench.wait(lambda: client.snapshot().state == "FEEDING", DRILL_S, "feeding")
        bench.wait(lambda: client.snapshot().state not in GOING_ON, DRILL_S, "through the drill")
        now = client.snapshot()
        bench.wait(lambda: len(_history(bench).get("throws", ())) >= BALLS, JOURNAL_S, "in the journal")
        assert client.disarm().ok
        bench.wait(lambda: client.snapshot().state == "IDLE", DRILL_S, "at rest")
        counts, story = client.snapshot().counts, _history(bench)
        wanted = {"fed": BALLS, "seen": BALLS}
        late_ms = max((event["late_ms"] for event in bench.log() if event["event"] == "late_wake"), default=0.0)
        why = f"{now.state} {now.reason or ''}; {counts}; the driver's loop woke {late_ms:.0f} ms late at worst"
        assert {"fed": counts.commanded, "seen": counts.seen} == wanted, why
        assert {"fed": story["session"]["commanded"], "seen": story["session"]["seen"]} == wanted, why
        assert len(story["throws"]) == BALLS, why
        for written in WRITTEN_BY[name]:
            assert written(bench.folder) == wanted, f"{written.__name__}: {why}"
