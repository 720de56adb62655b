"""A computer that was suspended stops its monotonic clock: daemon and driver find out by the clock that counts sleep.

Both clocks are arguments here; `test_real_processes_find_out_that_they_slept.py` shifts them under real processes.
"""

import pytest

from drillfeed.daemon.simulation import Side
from drillfeed.protocol.frames import encode
from drillfeed.protocol.sleep import SLEPT_S, SleepWatch
from tests.clients.drivers.link_rig import Rig
from tests.support.driver_log import times
from tests.support.halls import WatchedHall, drill_plan

BOTH: tuple[Side, ...] = ("driver", "daemon")


def slept(hall: WatchedHall, seconds: float, sides: tuple[Side, ...] = BOTH) -> float:
    """Let computers sleep: no time goes by on the clock that drives all; return that moment on the driver's clock."""
    for side in sides:
        hall.hall.slept_s[side] += seconds
    return hall.hall.driver_s


@pytest.mark.parametrize("sides", [BOTH, ("daemon",), ("driver",)], ids=["both", "the daemon's", "the driver's"])
@pytest.mark.parametrize("seconds", [0.51, 30.0, 40_000.0])
def test_a_drill_does_not_go_on_after_it(seconds: float, sides: tuple[Side, ...]) -> None:
    """Slept in mid-drill: fault machine-slept at once, no ball is pushed after waking, and wheels come to rest."""
    hall = WatchedHall().feeding(drill_plan(sets=(30,)), fed=2)
    at_s = slept(hall, seconds, sides)
    hall.hall.run_for(0.1)
    assert hall.state == "QUICKSTOP"
    assert hall.engine.parts.mode.fault is not None and hall.engine.parts.mode.fault.cause == "machine-slept"
    if sides != ("driver",):
        assert f"slept for {seconds:.1f} s" in hall.engine.parts.mode.fault.text
    assert hall.hall.until_state("FAULT")
    hall.hall.run_for(20.0)
    assert hall.state == "FAULT"
    assert not times(hall.log, "feed", at_s + (0.0 if "driver" in sides else 0.02))
    assert hall.hall.board.top_rpm == 0
    if "driver" in sides:
        assert hall.hall.core.mode == "disarmed" or (hall.hall.core.mode_reason or "").startswith("machine-slept")
        assert times(hall.log, "slept", at_s)[0] - at_s <= 0.005
    hall.sound()


def test_it_is_left_by_clear_arm_and_start_alone() -> None:
    """After the fault a person clears, arms and starts; the same sleep is not told a second time."""
    hall = WatchedHall().feeding(fed=1)
    slept(hall, 30.0)
    assert hall.hall.until_state("FAULT")
    hall.ok("clear")
    hall.ok("arm")
    hall.ok(f"start {hall.engine.parts.mode.stop_count}")
    assert hall.hall.until_state("FEEDING")
    hall.sound()


@pytest.mark.parametrize("name", ["ARMED", "SPINUP", "RESTING", "PAUSED", "STOPPING", "SETUP"])
def test_whatever_was_under_way_ends(name: str) -> None:
    """In each state in which something turns, or may with the next command, sleep is the fault."""
    hall = WatchedHall()
    if name in ("ARMED", "SETUP"):
        hall.armed()
    elif name == "SPINUP":
        hall.started()
    else:
        hall.feeding(drill_plan(sets=(2, 2)), fed=1)
    for state, line in (("SETUP", "setup on"), ("PAUSED", "pause"), ("STOPPING", "stop")):
        if state == name:
            hall.ok(line)
    assert hall.hall.until_state(name)
    slept(hall, 30.0)
    hall.hall.run_for(0.1)
    assert hall.engine.parts.mode.fault is not None and hall.engine.parts.mode.fault.cause == "machine-slept"
    assert hall.hall.until_state("FAULT")
    hall.sound()


def test_at_rest_it_is_told_and_no_fault() -> None:
    """A computer that slept while nothing was armed says so, and that is all."""
    hall = WatchedHall().ready()
    slept(hall, 30.0)
    hall.hall.run_for(1.0)
    assert hall.state == "IDLE" and hall.engine.parts.mode.fault is None
    assert any("slept for 30.0 s" in text for text in hall.told("log"))
    hall.ok("load a-drill", drill_plan())
    hall.ok("arm")


@pytest.mark.parametrize(
    ("readings", "found"),
    [
        ([1000.0, 1000.5, 1000.5], []),
        ([1000.0, 1000.51], [0.51]),
        ([0.0, 0.3, 0.6, 0.6], [0.6]),
        ([5.0, 2.0, 5.0, 5.4], []),
        ([0.0, 30.0, 30.0, 60.0], [30.0, 30.0]),
    ],
    ids=["not longer than 0.5 s", "longer", "short sleeps add up", "a reading cut short", "each once"],
)
def test_what_counts_as_sleep(readings: list[float], found: list[float]) -> None:
    """What the difference of both clocks grew by since the start counts above 0.5 s, once; a smaller never does."""
    watch = SleepWatch()
    gaps = [gap for reading in readings if (gap := watch.gap_s(reading)) is not None]
    assert gaps == pytest.approx(found)
    assert SLEPT_S == 0.5


def test_the_driver_looks_before_it_reads_what_waits() -> None:
    """L1, L31: a ball that is due, read first after waking, finds the driver tripped and is not pushed."""
    rig = Rig().spin()
    rig.give(rig.setpoint(rpm=1500.0, feeding=True, feeds=((1, rig.now + 0.02),)))
    frame = encode(rig.setpoint(rpm=1500.0, feeding=True, feeds=((2, rig.now),), ahead_s=0.0))
    rig.core.receive(frame, rig.now, asleep_s=30.0)
    assert rig.core.mode == "tripped" and (rig.core.mode_reason or "").startswith("machine-slept: the computer slept")
    for _ in range(200):
        rig.now += 0.005
        rig.core.tick(rig.now, asleep_s=30.0)
    assert rig.fed == []
    assert rig.board.rpm == {"top": 0.0, "bottom": 0.0}


def test_a_driver_at_rest_stays_as_it_is() -> None:
    """L31: while nothing is armed and no wheel is driven, sleep changes no mode, so that nobody has to clear it."""
    rig = Rig()
    for asleep_s in (0.0, 30.0):
        rig.core.tick(rig.now, asleep_s=asleep_s)
        rig.now += 0.005
    assert rig.core.mode == "disarmed" and rig.core.mode_reason is None
    assert [event for event, _, _ in rig.log if event == "slept"] == ["slept"]
