"""The newest readings veto the median: no ball is pushed between wheels of which one has died and left its band."""

import pytest

from drillfeed.clients.drivers.rules import out_of_band
from drillfeed.daemon.engine.axes import Axes
from drillfeed.daemon.planning.setting import Setting
from drillfeed.protocol.link import AngleState, Status, WheelState
from tests.engine.deaths_at_random import WAYS, judge, tell_the_truth
from tests.support.forked import in_a_copy
from tests.support.halls import WatchedHall, drill_plan, machine

DIAMETER_M = 0.060
STEADY = [3000.0] * 19


@pytest.mark.parametrize("newest", [2900.0, 3100.0])
def test_one_reading_out_of_band_vetoes_a_good_median(newest: float) -> None:
    """Nineteen readings on the target and a newest one 3.3 % off, either way: no ball, and the reading is named."""
    reason = out_of_band("top", [*STEADY, newest], 3000.0, DIAMETER_M)
    assert reason is not None and f"{newest:.0f} rpm" in reason


def test_one_good_reading_does_not_outvote_a_bad_median() -> None:
    """A newest reading on the target does not open the gate while the median is off."""
    assert out_of_band("top", [*[2900.0] * 19, 3000.0], 3000.0, DIAMETER_M) is not None


def test_an_old_reading_out_of_band_does_not_count() -> None:
    """A dip that is over, three readings ago, costs no ball."""
    assert out_of_band("top", [*STEADY, 2900.0, 3000.0, 3000.0], 3000.0, DIAMETER_M) is None


@pytest.mark.parametrize("newest", [2900.0, 3100.0])
def test_the_daemon_lets_the_newest_veto_too(newest: float) -> None:
    """A wheel has not arrived for the daemon unless both its median and its newest speed are in band."""
    on = machine()
    setting = Setting(3000.0, 2000.0, 10.0)

    def away(median_rpm: float, newest_rpm: float) -> str | None:
        tilt = AngleState(target_deg=10.0, measured_deg=10.0)
        status = Status(boot="boot", now_s=1.0, mode="armed", feeding=False, tilt=tilt,
                        top=WheelState(target_rpm=3000.0, measured_rpm=newest_rpm),
                        bottom=WheelState(target_rpm=2000.0, measured_rpm=2000.0))  # fmt: skip
        return Axes(on, on.limits()).away(setting, (median_rpm, 2000.0), status)

    assert away(3000.0, 3000.0) is None
    assert away(3000.0, newest) is not None
    assert away(newest, 3000.0) is not None


@pytest.mark.parametrize("way", WAYS)
def test_a_motor_that_dies_shortly_before_a_push(way: str) -> None:
    """Died 5, 10, ... 200 ms before a push: no ball is pushed with that wheel out of band, and the drill ends."""
    hall = WatchedHall(machine())
    tell_the_truth(hall)
    hall.feeding(drill_plan(sets=(20,)), fed=2)
    run = hall.engine.parts.practice.run
    assert run is not None
    hall.hall.run_until(lambda: any(slot.told and slot.outcome is None for slot in run.set_run.slots))
    feed_at_s = next(slot.feed_at_s for slot in run.set_run.slots if slot.told and slot.outcome is None)
    problems = {}
    for before_ms in range(200, 0, -5):
        hall.hall.run_until(lambda at_s=feed_at_s - before_ms / 1000: hall.hall.now_s >= at_s - 1e-6)  # type: ignore[misc]
        for wheel in ("top", "bottom"):
            found = in_a_copy(lambda wheel=wheel: judge(hall, wheel, way))  # type: ignore[misc]
            if found["problems"]:
                problems[before_ms, wheel] = found["problems"]
    assert not problems
