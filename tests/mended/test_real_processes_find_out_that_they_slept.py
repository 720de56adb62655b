"""Daemon and drivers as real processes, under which the clock that counts sleep is shifted by a preloaded shim."""

import time
from pathlib import Path

import pytest

from tests.faults.bench import Bench
from tests.faults.boards import BOARDS
from tests.mended.test_a_hang_up_brings_the_wheels_down import DRILLFEED, LEAVES_S, at_rest, driven, end, fast
from tests.support.driver_log import read_log, times
from tests.support.other_languages import free_port
from tests.support.recorded import recorded_drill
from tests.support.slept_clock import SleptClock
from tests.support.terminal import OnTerminal

SLEEP_S = 30.0
LOOKS_S = 0.1
"""A look each 5 ms, and what two shared cores may add; nothing was to be pushed within it."""
AFTERWARDS_S = 4.0


@pytest.mark.parametrize("board", BOARDS)
def test_each_shipped_driver_wakes_tripped(board: str) -> None:
    """Slept in mid-drill, the driver trips by itself, pushes no ball any more, and the daemon names the fault."""
    BOARDS[board].build()
    with Bench(board=BOARDS[board], sleepers=["driver"]) as bench:
        client = bench.feeding()
        at_s = bench.sleep(SLEEP_S)
        time.sleep(AFTERWARDS_S)
        log, now = bench.log(), client.snapshot()
        assert times(log, "slept", at_s)[0] < at_s + LOOKS_S
        tripped = next(event for event in log if event["event"] == "mode" and event["t"] > at_s)
        assert tripped["mode"] == "tripped" and tripped["reason"].startswith("machine-slept")
        assert not times(log, "feed", tripped["t"])
        assert not times(log, "mode", tripped["t"], mode="armed")
        assert at_rest(log)
        assert now.state == "FAULT" and (now.reason or "").startswith("machine-slept")


@pytest.mark.parametrize("sleepers", [["daemon"], ["daemon", "driver"]], ids=["alone", "with its driver"])
def test_the_daemon_wakes_in_fault(sleepers: list[str]) -> None:
    """Slept in mid-drill, the daemon stops the driver, and stays in a fault of that name until a person clears it."""
    with Bench(sleepers=sleepers) as bench:
        client = bench.feeding()
        at_s = bench.sleep(SLEEP_S)
        time.sleep(AFTERWARDS_S)
        log, now = bench.log(), client.snapshot()
        stopped_s = times(log, "stop", at_s)[0]
        assert stopped_s < at_s + LOOKS_S
        assert not times(log, "feed", stopped_s)
        assert at_rest(log)
        assert now.state == "FAULT" and (now.reason or "").startswith("machine-slept: the computer slept for 30.0 s")


def test_half_a_second_is_no_sleep() -> None:
    """A sleep up to 0.5 s changes nothing: the drill goes on."""
    with Bench(sleepers=["daemon", "driver"]) as bench:
        client = bench.feeding()
        at_s = bench.sleep(0.45)
        bench.until_fed(len(times(bench.log(), "feed")) + 2)
        assert client.snapshot().state == "FEEDING"
        assert not times(bench.log(), "slept", at_s)


def test_a_replay_stops_its_wheels(tmp_path: Path) -> None:
    """What plays the daemon for a recording finds it out as the daemon does."""
    recording, log = tmp_path / "drill.jsonl", tmp_path / "driver.jsonl"
    recording.write_text("".join(recorded_drill(4)[1]))
    clock, endpoint = SleptClock(tmp_path / "replay.slept"), f"tcp://127.0.0.1:{free_port()}"
    words = ("replay", str(recording), "--link", endpoint, "--yes")
    with OnTerminal(*DRILLFEED, *words, environment=clock.environment) as one:
        driver = driven("club-build", endpoint, log)
        try:
            one.until(lambda: bool(fast(log)))
            at_s = time.monotonic()
            clock.sleep(SLEEP_S)
            assert one.left(LEAVES_S) == 1
            assert times(read_log(log), "stop", at_s)[0] < at_s + LOOKS_S
            assert at_rest(read_log(log))
        finally:
            end(driver)
