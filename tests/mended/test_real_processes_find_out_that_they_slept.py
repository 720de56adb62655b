"""Daemon and drivers as real processes, under which the clock that counts sleep is shifted by a preloaded shim.

In every test run, `tests/faults/test_faults_in_ci.py` puts daemon and driver to sleep together; these take longer.
"""

import time
from collections.abc import Callable
from pathlib import Path

import pytest

from tests.faults.boards import BOARDS, WHICH
from tests.faults.processes import SLEEP_S, both_slept, daemon_slept, dozed, driver_slept
from tests.faults.verdict import Seen
from tests.mended.test_a_hang_up_brings_the_wheels_down import (
    DRILLFEED,
    LEAVES_S,
    STOP_READ_S,
    at_rest,
    driven,
    end,
    fast,
    held,
)
from tests.support.driver_log import read_log, times
from tests.support.other_languages import free_port
from tests.support.recorded import recorded_drill
from tests.support.slept_clock import SleptClock
from tests.support.terminal import OnTerminal

pytestmark = pytest.mark.slow


@pytest.mark.parametrize("board", BOARDS)
def test_each_shipped_driver_wakes_tripped(board: str, monkeypatch: pytest.MonkeyPatch) -> None:
    """Slept in mid-drill, the driver trips by itself, pushes no ball any more, and the daemon names the fault."""
    BOARDS[board].build()
    monkeypatch.setenv(WHICH, board)
    held(driver_slept)


@pytest.mark.parametrize("run", [daemon_slept, both_slept], ids=["alone", "with its driver"])
def test_the_daemon_wakes_in_fault(run: Callable[[], Seen]) -> None:
    """Slept in mid-drill, the daemon stops the driver, and stays in a fault of that name until a person clears it."""
    held(run)


def test_half_a_second_is_no_sleep() -> None:
    """A sleep up to 0.5 s changes nothing: the drill goes on."""
    held(dozed)


def test_a_replay_stops_its_wheels(tmp_path: Path) -> None:
    """What plays the daemon for a recording finds it out as the daemon does."""
    recording, log = tmp_path / "drill.jsonl", tmp_path / "driver.jsonl"
    recording.write_text("".join(recorded_drill(4)[1]))
    clock, endpoint = SleptClock(tmp_path / "replay.slept"), f"tcp://127.0.0.1:{free_port()}"
    words = ("replay", str(recording), "--link", endpoint, "--yes")
    with OnTerminal(*DRILLFEED, *words, environment=clock.environment) as program:
        driver = driven("club-build", endpoint, log)
        try:
            program.until(lambda: bool(fast(log)))
            at_s = time.monotonic()
            clock.sleep(SLEEP_S)
            assert program.left(LEAVES_S) == 1
            assert times(read_log(log), "stop", at_s)[0] < at_s + STOP_READ_S
            assert at_rest(read_log(log))
        finally:
            end(driver)
