"""The demo's drill in real processes on the C firmware behind a pseudo-terminal: one run, judged by the board's log."""

import json
import subprocess
import time
from pathlib import Path

import pytest

from drillfeed.daemon.demo.choice import choose
from drillfeed.daemon.demo.processes import running_pair
from drillfeed.daemon.demo.real import Player
from tests.support.firmware import firmware

BALLS = 6
PATIENCE_S = 20.0


@pytest.mark.slow
def test_the_demo_drill_runs_behind_a_pseudo_terminal(tmp_path: Path) -> None:
    """Each ball that the daemon counts was pushed by the board, left it and was seen; a stall of ours is told."""
    tty, log = tmp_path / "board", tmp_path / "board.jsonl"
    board = subprocess.Popen([str(firmware()), "--tty", str(tty), "--log", str(log)])
    try:
        until_s = time.monotonic() + PATIENCE_S
        while not tty.exists() and time.monotonic() < until_s:
            time.sleep(0.02)
        said: list[str] = []
        choice = choose(None, "club-build", BALLS, 1)
        with running_pair("club-build", 1, tmp_path, ("serial", "--port", str(tty))) as pair, pair.client() as client:
            client.cautions("accept")
            status = Player(pair, client, choice, said.append).play()
            counts = client.snapshot().counts
    finally:
        board.terminate()
        ended = board.wait(PATIENCE_S)
    driver = [json.loads(one) for one in pair.log.read_text().splitlines()]
    late_ms = max((one["late_ms"] for one in driver if one["event"] == "late_wake"), default=0.0)
    why = (f"inconclusive: this computer stood still for {late_ms:.0f} ms" if late_ms > 10 else "", said)
    events = [json.loads(one)["event"] for one in log.read_text().splitlines()]
    assert ended == 0, "a sanitizer stopped the firmware, or it failed"
    assert (status, counts.commanded, counts.seen) == (0, BALLS, BALLS), why
    assert (events.count("push"), events.count("leaves")) == (BALLS, BALLS), why
    assert sum(one["event"] == "push_confirmed" for one in driver) == BALLS, why
