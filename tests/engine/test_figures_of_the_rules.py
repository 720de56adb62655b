"""The figures at which the engine's rules decide, each side of each bound."""

import itertools
from dataclasses import replace

import pytest

from drillfeed.daemon.engine.apply_practice import MAX_HOLD_S
from drillfeed.daemon.engine.effects import Effects
from drillfeed.daemon.engine.feeder import Feeder
from drillfeed.daemon.engine.following_error import FollowingError
from drillfeed.daemon.engine.outgoing import crank_is_turning
from drillfeed.daemon.engine.schedule import SetRun
from drillfeed.daemon.engine.turn import Turn
from drillfeed.protocol.link import LATE_S, TICK_S, AngleState, Status, WheelState
from tests.support.halls import WatchedHall, drill_plan, machine


def test_the_hopper_is_low_from_the_count_in_the_profile_on() -> None:
    """At `low_at` balls it is low and said once; with one ball more it is not."""
    on = machine()
    feeder = Feeder(on)
    feeder.count_hopper(on.hopper.low_at + 1)
    assert not feeder.is_low
    assert feeder.one_less() and feeder.is_low
    assert not feeder.one_less()
    feeder.count_hopper(on.hopper.low_at)
    assert feeder.is_low


@pytest.mark.parametrize("late_s", [0.0, 0.4])
def test_a_loop_that_is_late_gives_the_axes_their_whole_time(late_s: float) -> None:
    """Where the axes can only begin so much later, the next ball leaves so much later than they need at least."""
    plan = drill_plan(sets=(4,)).sets[0]
    run = SetRun(plan, 0)
    first = run.begin(10.0, 1)
    second = run.queue[0]
    min_gap_s = plan.min_gap_s[first.ball.key, second.key]
    run.queue[0] = replace(second, gap_s=min_gap_s)
    slot = run.plan_ahead(first.until_s, first.until_s + late_s, lambda: 2)
    assert slot is not None
    assert slot.leaves_s == pytest.approx(first.leaves_s + min_gap_s + late_s)
    assert slot.until_s == pytest.approx(slot.leaves_s + LATE_S + plan.spread_s)


@pytest.mark.parametrize("window_s", [1.0, 30.0])
def test_a_pause_holds_the_wheels_until_the_last_ball_must_have_left(window_s: float) -> None:
    """Wheels are held for ten seconds, and longer if a ball that was told may still leave later."""
    hall = WatchedHall().feeding(drill_plan(sets=(12,)))
    run = hall.engine.parts.practice.running.set_run
    slot = next(slot for slot in reversed(run.slots) if slot.outcome in (None, "fed"))
    slot.until_s = hall.hall.now_s + window_s
    expected_s = max(hall.hall.now_s + MAX_HOLD_S, run.window_end_s())
    hall.ok("pause")
    assert hall.engine.parts.motion.hold_until_s == pytest.approx(expected_s, abs=2 * TICK_S)


def test_a_stop_announces_the_quick_rate_and_the_end_of_a_drill_the_plain_one() -> None:
    """While wheels fall the setpoints carry the rate at which they fall, as the profile gives it."""
    on = machine()
    quick, plain = on.top.limits().quick_rpm_per_s, on.top.limits().down_rpm_per_s
    assert quick != plain
    stopped = WatchedHall(on).feeding(drill_plan(sets=(12,)))
    stopped.ok("stop")
    ended = WatchedHall(on).started(drill_plan(sets=(2,)))
    assert ended.hall.until_state("STOPPING", max_s=60.0)
    for hall, rate in ((stopped, quick), (ended, plain)):
        before = len(hall.setpoints)
        hall.hall.run_for(0.3)
        sent = [message for _, message in hall.setpoints[before:]]
        falling = [later for earlier, later in itertools.pairwise(sent) if later.top.rpm < earlier.top.rpm]
        assert falling and all(message.top.ramp_rpm_per_s == pytest.approx(rate) for message in falling)


@pytest.mark.parametrize(("mode", "state"), [("armed", "ARMED"), ("disarmed", "IDLE")])
def test_a_drill_ends_armed_only_if_the_driver_is(mode: str, state: str) -> None:
    """After its last ball the daemon is ARMED where the driver still is; a driver that disarmed leaves it IDLE."""
    hall = WatchedHall().started(drill_plan(sets=(2,)))
    assert hall.hall.until_state("STOPPING", max_s=60.0)
    if mode == "disarmed":
        hall.hall.core.modes.mode = "disarmed"
    assert hall.hall.run_until(lambda: hall.state != "STOPPING", 30.0)
    assert hall.state == state


def shown(top_rpm: float, tilt_deg: float, target_rpm: float = 3000.0, target_deg: float = 10.0) -> Status:
    """Return a status with one wheel and the tilt measured."""
    top = WheelState(target_rpm=target_rpm, measured_rpm=top_rpm)
    bottom = WheelState(target_rpm=2000.0, measured_rpm=2000.0)
    tilt = AngleState(target_deg=target_deg, measured_deg=tilt_deg)
    return Status(boot="b", now_s=0.0, mode="armed", feeding=True, top=top, bottom=bottom, tilt=tilt)


@pytest.mark.parametrize("off_deg", [-3.1, -2.9, 2.9, 3.1])
def test_an_angle_is_off_beyond_three_degrees_for_seven_tenths_of_a_second(off_deg: float) -> None:
    """Three degrees and 0.7 s are the house's bounds; what is nearer or shorter is no fault."""
    error = FollowingError(machine())
    error.see(shown(3000.0, 10.0 + off_deg), 5.0)
    assert error.angle(5.69) is None
    assert (error.angle(5.71) is not None) is (abs(off_deg) > 3.0)


@pytest.mark.parametrize(("target_rpm", "bound_rpm"), [(6000.0, 600.0), (300.0, None)])
def test_a_wheel_is_off_beyond_a_share_of_its_speed_and_never_below_a_floor(
    target_rpm: float, bound_rpm: float | None
) -> None:
    """A tenth of the speed, and at least 1 m/s at the rim (house values)."""
    on = machine()
    from_share, floor = target_rpm * 0.10, on.top.rpm(1.0)
    assert (from_share > floor) is (bound_rpm is not None)
    bound = max(from_share, floor)
    for off_rpm, is_off in ((bound * 0.99, False), (bound * 1.01, True), (-bound * 0.99, False), (-bound * 1.01, True)):
        error = FollowingError(on)
        error.see(shown(target_rpm + off_rpm, 10.0, target_rpm), 5.0)
        assert (error.wheel(5.71) is not None) is is_off, off_rpm


def test_a_crank_is_cut_only_between_the_push_and_the_end_of_its_turn() -> None:
    """The turn lasts from one tick before the push to `turn_s` after it, both ends included; a tick beyond is free."""
    kit = machine("kit-build")
    hall = WatchedHall(kit).feeding(drill_plan(kit, sets=(4,)))
    parts = hall.engine.parts
    run = parts.practice.running.set_run
    (slot,) = [slot for slot in run.slots if slot.told][-1:]
    run.slots[:] = [slot]
    turn_s = parts.feeder.turn_s
    moments = {-1.1 * TICK_S: False, -0.9 * TICK_S: True, turn_s - 0.001: True, turn_s + 0.001: False}
    found = {after: crank_is_turning(Turn(parts, Effects(), slot.feed_at_s + after)) for after in moments}
    assert found == moments
