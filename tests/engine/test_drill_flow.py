"""A drill from start to end on the virtual clock, with the shipped engine, link and driver code: what comes when."""

import pytest

from drillfeed.daemon.engine.apply_practice import MAX_HOLD_S
from drillfeed.protocol.link import TICK_S
from tests.support.halls import WatchedHall, drill_plan, machine

MACHINES = ("club-build", "kit-build")


def first_leaves_s(hall: WatchedHall) -> float:
    """Return when the first ball of the set under way is to leave."""
    assert hall.engine.parts.practice.run is not None
    return hall.engine.parts.practice.run.set_run.slots[0].leaves_s


@pytest.mark.parametrize("name", MACHINES)
def test_a_drill_runs_to_its_end_and_stays_armed(name: str) -> None:
    """Every ball is fed once, the wheels come to rest, and the thrower waits armed for another start."""
    hall = WatchedHall(machine(name)).started(drill_plan(machine(name), sets=(3, 2), rest_s=5.0))
    assert hall.hall.until_state("ARMED", max_s=120.0)
    assert [event["id"] for event in hall.feeds()] == [1, 2, 3, 4, 5]
    assert hall.commanded == 5
    assert hall.engine.parts.at_rest(hall.hall.now_s)[0] is True
    hall.sound()


@pytest.mark.parametrize("delay_s", [5.0, 12.0])
def test_the_countdown_ends_when_the_first_ball_leaves(delay_s: float) -> None:
    """The first ball leaves exactly the start delay after the start, and the last three seconds are told."""
    hall = WatchedHall().armed(drill_plan(start_delay_s=delay_s))
    start_s = hall.hall.now_s
    hall.ok("start 0")
    assert first_leaves_s(hall) == pytest.approx(start_s + delay_s, abs=1e-9)
    assert hall.hall.until_state("FEEDING")
    ticks = [event for event in hall.hall.events if event.topic == "countdown"]
    assert [event.text for event in ticks] == ["3", "2", "1"]
    for event, before_s in zip(ticks, (3.0, 2.0, 1.0), strict=True):
        assert 0 <= event.at_s - (start_s + delay_s - before_s) <= TICK_S + 1e-6
    hall.hall.run_for(1.0)
    fed_s = hall.feeds()[0]["t"] - hall.hall.driver_offset_s
    assert fed_s == pytest.approx(start_s + delay_s - hall.on.feeder.latency_s, abs=0.006)


def test_a_cue_comes_before_the_wheels() -> None:
    """Two seconds lie between the start with its cue and the first setpoint that turns a wheel."""
    hall = WatchedHall().started()
    assert hall.hall.events[-1].cue == "wheels"
    began_s = hall.hall.now_s
    hall.hall.until_state("FEEDING")
    turning_s = next(at_s for at_s, setpoint in hall.setpoints if setpoint.top.rpm > 0)
    assert turning_s - began_s >= 2.0 - 0.3 - TICK_S
    moved_s = next(event["t"] for event in hall.log if event["event"] == "wheels" and event["top_out_rpm"] > 0)
    assert moved_s - hall.hall.driver_offset_s - began_s >= 2.0


@pytest.mark.parametrize("name", MACHINES)
def test_wheels_first_and_feed_second(name: str) -> None:
    """On a start no setpoint opens the feed before both wheels stand at the first ball's speeds."""
    hall = WatchedHall(machine(name)).feeding()
    _, opened = next((at_s, setpoint) for at_s, setpoint in hall.setpoints if setpoint.feeding)
    assert hall.engine.parts.practice.run is not None
    setting = hall.engine.parts.practice.run.plan.sets[0].balls[0].setting
    assert opened.top.rpm == pytest.approx(setting.top_rpm)
    assert opened.bottom.rpm == pytest.approx(setting.bottom_rpm)


def test_wheels_change_right_after_a_ball() -> None:
    """The setpoints for the next ball begin to differ within two ticks after the latest moment the last one leaves."""
    hall = WatchedHall().feeding(fed=1)
    assert hall.engine.parts.practice.run is not None
    slot = hall.engine.parts.practice.run.set_run.slots[0]
    before = slot.ball.setting.top_rpm
    hall.hall.run_for(1.0)
    line = hall.engine.parts.link.line
    assert line is not None
    moments = [
        line.to_daemon(setpoint.at_s)
        for _, setpoint in hall.setpoints
        if abs(setpoint.top.rpm - before) > 1.0 and setpoint.feeding
    ]
    assert slot.until_s <= min(moment for moment in moments if moment > slot.leaves_s) <= slot.until_s + 2 * TICK_S


@pytest.mark.parametrize("after_s", [0.2, 2.5, 4.2, 4.5, 4.8, 4.95, 5.05])
def test_a_pause_at_any_phase_is_resumed_without_losing_a_ball(after_s: float) -> None:
    """Paused while counting down, told, fed or between: no feed until resumed, then every ball once, in order."""
    hall = WatchedHall().started(drill_plan(sets=(4,)))
    hall.hall.run_for(after_s)
    hall.ok("pause")
    assert hall.state == "PAUSED"
    fed = len(hall.feeds())
    hall.hall.run_for(2.0)
    assert len(hall.feeds()) == fed
    hall.ok("resume")
    assert hall.hall.until_state("ARMED", max_s=60.0)
    assert len(hall.feeds()) == 4
    assert [text.split()[1] for text in hall.told("ball") if " fed" in text] == [
        "light-topspin",
        "heavy-push",
        "rally-topspin",
        "light-topspin",
    ]
    hall.sound()


def test_pauses_are_no_missed_balls() -> None:
    """Three pauses, each just before a ball goes, count no ball as refused and don't pause the run again."""
    hall = WatchedHall().started(drill_plan(sets=(3,)))
    for _ in range(3):
        assert hall.hall.until_state("FEEDING")
        hall.hall.run_for(0.2)
        hall.ok("pause")
        hall.hall.run_for(0.1)
        hall.ok("resume")
    assert hall.hall.until_state("ARMED", max_s=30.0)
    assert hall.engine.parts.practice.run is not None
    assert (hall.commanded, hall.engine.parts.practice.run.refused, hall.engine.parts.practice.run.skipped) == (3, 0, 0)
    assert sum(text.startswith("PAUSED") for text in hall.told("state")) == 3


def test_wheels_hold_in_a_pause_for_ten_seconds() -> None:
    """Paused, the wheels stay where they are for ten seconds and then run down; the run stays paused."""
    hall = WatchedHall().feeding(fed=1)
    hall.ok("pause")
    hall.hall.run_for(MAX_HOLD_S - 0.5)
    held = hall.setpoints[-1][1].top.rpm
    assert held > 0
    hall.hall.run_for(5.0)
    assert hall.setpoints[-1][1].top.rpm == 0
    assert hall.state == "PAUSED"
    hall.ok("resume")
    assert hall.hall.until_state("ARMED")
    assert hall.commanded == 4
    hall.sound()


def test_a_resume_counts_down_and_cues() -> None:
    """Resumed, the next ball leaves no sooner than the drill's resume delay."""
    hall = WatchedHall().feeding(fed=1)
    hall.ok("pause")
    hall.hall.run_for(0.5)
    began_s = hall.hall.now_s
    hall.ok("resume")
    assert first_leaves_s(hall) - began_s >= 3.0 - 1e-9
    assert hall.hall.events[-1].cue == "wheels"


def test_a_resume_with_no_ball_left_ends_the_drill() -> None:
    """Paused after the last ball has gone, resume says that the drill is over, and it is."""
    hall = WatchedHall().feeding(drill_plan(sets=(1,)), fed=1)
    hall.ok("pause")
    hall.hall.run_for(0.5)
    assert hall.ok("resume") == "no ball is left; the drill is over"
    assert hall.hall.until_state("ARMED")
    assert len(hall.feeds()) == 1


def test_a_timed_rest_ends_with_a_cue_and_a_whole_countdown() -> None:
    """After a timed rest the next set starts by itself: cue, and the full start delay to its first ball."""
    hall = WatchedHall().feeding(drill_plan(sets=(1, 1), rest_s=12.0))
    assert hall.hall.until_state("RESTING")
    rest_from_s = hall.hall.now_s
    assert hall.hall.until_state("SPINUP")
    assert hall.hall.now_s - rest_from_s == pytest.approx(12.0, abs=2 * TICK_S)
    assert hall.hall.events[-1].cue == "wheels"
    assert first_leaves_s(hall) - hall.hall.now_s == pytest.approx(5.0, abs=TICK_S)


def test_a_long_rest_has_its_wheels_at_zero() -> None:
    """In a rest of more than ten seconds the wheels stand."""
    hall = WatchedHall().feeding(drill_plan(sets=(1, 1), rest_s=12.0))
    assert hall.hall.until_state("RESTING")
    hall.hall.run_for(8.0)
    assert hall.setpoints[-1][1].top.rpm == 0
    assert hall.engine.parts.at_rest(hall.hall.now_s) == (True, "measured")


def test_a_rest_without_a_time_waits_for_the_player() -> None:
    """A rest that waits goes on with `ready` and not before, wheels at zero."""
    hall = WatchedHall().feeding(drill_plan(sets=(1, 1)))
    assert hall.hall.until_state("RESTING")
    assert not hall.hall.until_state("SPINUP", max_s=90.0)
    assert hall.setpoints[-1][1].top.rpm == 0
    hall.ok("ready")
    assert hall.hall.until_state("ARMED")
    assert hall.commanded == 2


@pytest.mark.parametrize("line", ["pause", "stop", "disarm"])
def test_a_timed_rest_is_cancelled(line: str) -> None:
    """Pause, stop and disarm in a timed rest cancel it: nothing goes on by itself, and no rest is shown."""
    hall = WatchedHall().feeding(drill_plan(sets=(1, 1), rest_s=12.0))
    assert hall.hall.until_state("RESTING")
    hall.hall.run_for(3.0)
    hall.ok(line)
    assert hall.engine.parts.practice.rest_until_s is None
    assert not hall.hall.until_state("SPINUP", "FEEDING", max_s=60.0)
    assert len(hall.feeds()) == 1


def test_a_pause_in_a_rest_lets_the_wheels_run_down() -> None:
    """Paused while the wheels run down for a rest, they go on running down."""
    hall = WatchedHall().feeding(drill_plan(sets=(1, 1)))
    assert hall.hall.until_state("RESTING")
    hall.hall.run_for(0.2)
    hall.ok("pause")
    hall.hall.run_for(3.0)
    assert hall.setpoints[-1][1].top.rpm == 0


@pytest.mark.parametrize("after_s", [0.0, 0.02, 0.06, 0.1, 0.3, 0.45, 0.6])
def test_a_skip_while_feeding_ends_the_set_after_the_ball_on_its_way(after_s: float) -> None:
    """Skipped at any moment of feeding: at most the ball that was told still goes, then comes the next set's rest."""
    hall = WatchedHall().started(drill_plan(sets=(5, 1)))
    assert hall.hall.until_state("FEEDING")
    hall.hall.run_for(after_s)
    hall.ok("skip")
    assert hall.hall.until_state("RESTING", "FAULT", max_s=10.0)
    assert hall.state == "RESTING", hall.told("fault")
    assert len(hall.feeds()) <= 1
    hall.ok("ready")
    assert hall.hall.until_state("ARMED")
    hall.sound()


def test_wheels_go_no_further_where_the_ball_they_turn_for_is_skipped() -> None:
    """Skipped into a short rest in the middle of a change, no wheel rises in the rest."""
    hall = WatchedHall().feeding(drill_plan(sets=(3, 2), rest_s=5.0))
    first_rpm = hall.setpoints[-1][1].bottom.rpm
    assert hall.hall.run_until(lambda: hall.setpoints[-1][1].bottom.rpm > first_rpm + 100, 2.0)
    hall.ok("skip")
    assert hall.hall.until_state("RESTING", max_s=3.0)
    hall.hall.run_for(3.0)
    sent = [setpoint.bottom.rpm for state, setpoint in hall.sent_in if state == "RESTING"]
    assert len(sent) > 100
    assert max(sent) == sent[0]
    hall.sound()


@pytest.mark.parametrize("line", ["stop", "pause"])
def test_a_stop_or_pause_right_after_a_skip(line: str) -> None:
    """A stop or pause follows a skip as it follows anything else."""
    hall = WatchedHall().feeding(drill_plan(sets=(5, 1)))
    hall.ok("skip")
    hall.ok(line)
    assert hall.state == ("STOPPING" if line == "stop" else "PAUSED")
    fed = len(hall.feeds())
    hall.hall.run_for(3.0)
    assert len(hall.feeds()) == fed
    hall.sound()


def test_a_skip_in_the_last_set_ends_the_drill() -> None:
    """Skipping the last set while paused ends the drill."""
    hall = WatchedHall().feeding()
    hall.ok("pause")
    hall.hall.run_for(0.2)
    assert hall.ok("skip").endswith("the drill is over")
    assert hall.hall.until_state("ARMED")


def test_a_refused_last_ball_is_thrown_at_the_end_of_its_set() -> None:
    """A ball that the driver refuses goes again after the others, once the axes have had their time."""
    hall = WatchedHall().started(drill_plan(sets=(3,)))
    assert hall.hall.until_state("FEEDING")
    hall.hall.run_until(lambda: len(hall.feeds()) == 2)
    blocked_s = hall.hall.now_s + 0.95
    hall.hall.run_until(lambda: hall.hall.now_s >= blocked_s)
    hall.hall.board.top_rpm *= 0.9
    assert hall.hall.until_state("ARMED", max_s=30.0)
    outcomes = [text.split()[2] for text in hall.told("ball")]
    assert outcomes == ["fed", "fed", "refused", "fed"]
    hall.sound()


def test_three_missed_in_a_row_pause_the_run_with_the_reason() -> None:
    """Three balls in a row refused by a wheel out of band, not yet a fault: paused, and the reason is the driver's."""
    hall = WatchedHall().feeding(drill_plan(sets=(9,)), fed=1)
    slow = hall.hall.board

    def blunt() -> bool:
        status = hall.engine.parts.link.status
        assert status is not None
        slow.top_rpm = min(slow.top_rpm, 0.95 * status.top.target_rpm)
        return hall.state != "FEEDING"

    assert hall.hall.run_until(blunt, 20.0)
    assert hall.state == "PAUSED"
    assert hall.engine.parts.mode.reason is not None and "3 balls in a row" in hall.engine.parts.mode.reason
    assert "top wheel" in hall.engine.parts.mode.reason
    hall.hall.run_for(1.0)
    hall.ok("resume")
    assert hall.hall.until_state("ARMED", max_s=60.0)
    assert hall.commanded == 9


def test_the_drill_ends_when_its_minutes_are_over() -> None:
    """A run is bounded in time: feeding ends, wheels run down, no fault."""
    hall = WatchedHall().feeding(drill_plan(sets=(60,), max_minutes=0.2))
    assert hall.hall.until_state("ARMED", "FAULT", "PAUSED", max_s=30.0)
    assert hall.state == "ARMED"
    assert "minutes are over" in hall.told("state")[-1]
    hall.sound()


def test_an_empty_hopper_pauses_before_the_feeder_turns_in_vain() -> None:
    """With two balls in the hopper two are fed; the third is never asked for, be it the last of its set or not."""
    for balls in (3, 5):
        hall = WatchedHall().armed(drill_plan(sets=(balls,)))
        hall.ok("balls 2")
        hall.ok("start 0")
        assert hall.hall.until_state("PAUSED", "ARMED", max_s=30.0)
        assert (hall.state, len(hall.feeds())) == ("PAUSED", 2)
        hall.hall.run_for(0.1)
        assert hall.refused("resume") == "hopper"
        hall.ok("balls 20")
        hall.ok("resume")
        assert hall.hall.until_state("ARMED")
        assert hall.commanded == balls


def test_a_timed_rest_waits_where_the_hopper_is_empty() -> None:
    """A rest does not end by itself into a set that has no ball."""
    hall = WatchedHall().armed(drill_plan(sets=(1, 1), rest_s=5.0))
    hall.ok("balls 1")
    hall.ok("start 0")
    assert hall.hall.until_state("RESTING")
    assert not hall.hall.until_state("SPINUP", max_s=20.0)
    hall.ok("balls 5")
    hall.ok("ready")


def test_a_low_hopper_is_told_once_before_it_is_empty() -> None:
    """The warning comes when so many balls are left as the profile says, once."""
    hall = WatchedHall().armed(drill_plan(sets=(4,)))
    hall.ok(f"balls {hall.on.hopper.low_at + 2}")
    hall.ok("start 0")
    assert hall.hall.until_state("ARMED")
    assert [event.cue for event in hall.hall.events if event.topic == "hopper"] == [None, "hopper-low"]


@pytest.mark.parametrize("name", MACHINES)
def test_arming_moves_nothing(name: str) -> None:
    """From power-up through arming until a start no axis moves, tilt included."""
    hall = WatchedHall(machine(name)).ready()
    board = hall.hall.board
    before = dict(board.angles_deg)
    hall.ok("load a-drill", drill_plan(hall.on))
    hall.ok("arm")
    assert not hall.hall.run_until(lambda: board.angles_deg != before or board.top_rpm != 0, 2.0)


def test_a_crank_by_time_is_not_cut_in_mid_turn_at_the_end_of_a_set() -> None:
    """A set is over when the crank has finished its last turn, not before."""
    kit = machine("kit-build")
    hall = WatchedHall(kit).started(drill_plan(kit, sets=(2,)))
    assert hall.hall.until_state("STOPPING", max_s=60.0)
    hall.hall.run_for(0.1)
    closed_s = next(event["t"] for event in hall.log if event["event"] == "feed_closed")
    assert closed_s - hall.feeds()[-1]["t"] >= kit.feeder.cycle_s
    assert hall.engine.parts.feeder.crank_turns == 2


@pytest.mark.parametrize("line", ["stop", "pause"])
@pytest.mark.parametrize(("after_s", "known"), [(0.3, False), (1.3, True)])
def test_a_crank_cut_in_mid_turn_stands_nobody_knows_where(line: str, after_s: float, known: bool) -> None:
    """Stopped or paused in mid-turn the phase of a crank by time is unknown, between turns it is known."""
    kit = machine("kit-build")
    hall = WatchedHall(kit).started(drill_plan(kit, sets=(4,)))
    hall.hall.run_until(lambda: len(hall.feeds()) == 2)
    hall.hall.run_for(after_s)
    hall.ok(line)
    hall.hall.run_for(0.5)
    assert (hall.engine.parts.feeder.crank_turns is not None) is known
    if line == "pause":
        if not known:
            assert hall.refused("resume") == "crank-phase"
            hall.ok("crank-at-mark")
        hall.ok("resume")
        assert hall.hall.until_state("ARMED", max_s=60.0)
