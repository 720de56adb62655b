"""Faults of link, driver and daemon on the virtual clock: what each ends in, how soon, and what never follows."""

import json

import pytest

from drillfeed.daemon.engine.pending import ANSWER_S
from drillfeed.daemon.engine.request import Request
from drillfeed.daemon.simulation import PLAYER, Side
from drillfeed.protocol.commands import parse
from drillfeed.protocol.frames import decode_from_driver, encode
from drillfeed.protocol.link import TICK_S, DriverHello, Status
from tests.support.driver_log import times
from tests.support.halls import WatchedHall, drill_plan, machine


def frozen(hall: WatchedHall, side: Side, seconds: float) -> float:
    """Freeze one side for a while, let it go on, and return when that began, on the driver's clock."""
    began_s = hall.hall.driver_s
    hall.hall.frozen.add(side)
    hall.hall.run_for(seconds)
    hall.hall.frozen.clear()
    return began_s


def carried_out_together(hall: WatchedHall, *lines: str) -> dict[str, str]:
    """Carry out commands within one instant, in the order given; return the answers by line."""
    tokens = {}
    for n, line in enumerate(lines, 900):
        command = parse(line)
        if command.verb == "stop":
            hall.engine.stop(PLAYER, n, hall.hall.now_s)
        else:
            hall.engine.command(Request(command, PLAYER, n), hall.hall.now_s)
        tokens[line] = n
    hall.hall.run_for(ANSWER_S + 0.5)
    replies = {line: hall.hall.replies[n] for line, n in tokens.items()}
    return {line: "ok" if reply.code is None else reply.code.name for line, reply in replies.items()}


def test_a_driver_that_dies_in_mid_drill_is_a_fault_and_stays_one() -> None:
    """Status stops: feed closed by 250 ms, fault by 500 ms, and nothing goes on when the driver comes back."""
    hall = WatchedHall().feeding()
    began_s = hall.hall.now_s
    hall.lost = True
    assert hall.hall.until_state("QUICKSTOP", max_s=2.0)
    assert hall.hall.now_s - began_s <= 0.5 + 2 * TICK_S
    assert hall.engine.parts.mode.fault is not None and hall.engine.parts.mode.fault.cause == "link-lost"
    assert not any(setpoint.feeding for at_s, setpoint in hall.setpoints if at_s > began_s + 0.25 + TICK_S)
    hall.hall.run_for(2.0)
    hall.lost = False
    assert hall.hall.until_state("FAULT")
    hall.hall.run_for(20.0)
    assert hall.state == "FAULT"
    hall.sound()


def test_a_daemon_that_falls_silent_leaves_a_driver_that_stops_by_itself() -> None:
    """No setpoint arrives: the driver closes its feed at 250 ms and brings the wheels down from 500 ms on, alone."""
    hall = WatchedHall().feeding()
    began_s = frozen(hall, "daemon", 4.0)
    closed_s, tripped_s = times(hall.log, "feed_closed", began_s)[0], times(hall.log, "watchdog", began_s)[0]
    assert closed_s - began_s <= 0.25 + 0.01
    assert tripped_s - began_s <= 0.5 + 0.01
    assert not [at_s for at_s in times(hall.log, "feed", began_s) if at_s > closed_s]
    assert hall.hall.board.top_rpm == 0
    hall.hall.run_for(1.0)
    assert hall.state in ("QUICKSTOP", "FAULT")
    assert hall.engine.parts.mode.fault is not None and hall.engine.parts.mode.fault.cause in ("stalled", "tripped")
    fed = len(hall.feeds())
    hall.hall.run_for(20.0)
    assert (hall.state, len(hall.feeds())) == ("FAULT", fed)
    hall.sound()


def test_nothing_old_acts_when_a_driver_thaws() -> None:
    """A driver frozen for 3 s trips before it reads what has piled up; no old feed and no old speed acts."""
    hall = WatchedHall().feeding()
    began_s = frozen(hall, "driver", 3.0)
    hall.hall.run_for(5.0)
    assert times(hall.log, "feed", began_s) == []
    assert times(hall.log, "watchdog", began_s) != []
    assert hall.state == "FAULT"
    hall.sound()


@pytest.mark.parametrize("silent_s", [0.0, 1.2, 8.0])
def test_a_driver_that_begins_anew_never_goes_on_by_itself(silent_s: float) -> None:
    """A driver restarted in mid-drill ends the run in a fault; clear, arm and start begin a new one."""
    hall = WatchedHall().feeding()
    hall.lost = True
    hall.hall.run_for(silent_s)
    hall.lost = False
    hall.hall.power_up()
    assert hall.hall.until_state("FAULT", max_s=30.0)
    fed = len(hall.feeds())
    hall.hall.run_for(10.0)
    assert len(hall.feeds()) == fed
    assert hall.refused("resume") == "wrong-state"
    hall.ok("clear")
    assert hall.refused(f"start {hall.engine.parts.mode.stop_count}") == "wrong-state"
    assert hall.hall.run_until(lambda: hall.state == "IDLE" and hall.engine.parts.link.line is not None)
    hall.hall.run_for(3.0)
    hall.ok("arm")
    hall.ok(f"start {hall.engine.parts.mode.stop_count}")
    assert hall.hall.until_state("ARMED")
    hall.sound()


def test_a_second_driver_is_turned_away() -> None:
    """While one driver answers, the hello of another changes nothing."""
    hall = WatchedHall().feeding()
    hello = next(
        frame
        for frame in (hall.hall.core.report.hello(hall.hall.driver_s),)
        if isinstance(decode_from_driver(frame), DriverHello)
    )
    other = json.loads(hello) | {"boot": "another-boot", "driver": "another"}
    hall.engine.receive(b"another", json.dumps(other).encode(), hall.hall.now_s)
    assert hall.engine.parts.link.driver is not None
    assert hall.engine.parts.link.driver.hello.boot != "another-boot"
    assert hall.hall.until_state("ARMED")
    assert hall.commanded == 4


def test_status_of_a_stranger_changes_nothing() -> None:
    """A status from another peer, or with another boot id, is not taken for the driver's."""
    hall = WatchedHall().feeding()
    status = hall.engine.parts.link.status
    assert status is not None
    tripped = status.model_copy(update={"mode": "tripped"})
    hall.engine.receive(b"another", encode(tripped), hall.hall.now_s)
    hall.engine.receive(b"driver", encode(tripped.model_copy(update={"boot": "another-boot"})), hall.hall.now_s)
    hall.hall.run_for(0.1)
    assert hall.state == "FEEDING"


def test_a_driver_that_hears_nothing_but_talks_is_a_fault() -> None:
    """Statuses come but no setpoint is accepted: feed closed by 300 ms, fault by 600 ms at the latest."""
    hall = WatchedHall().feeding()
    began_s = hall.hall.now_s
    hall.delays = lambda to, frame: () if to == "driver" and b'"setpoint"' in frame else (0.001,)  # type: ignore[method-assign]
    assert hall.hall.until_state("QUICKSTOP", max_s=2.0)
    assert hall.hall.now_s - began_s <= 0.6 + 2 * TICK_S
    assert not any(setpoint.feeding for at_s, setpoint in hall.setpoints if at_s > began_s + 0.3 + 2 * TICK_S)
    hall.sound()


def test_a_driver_whose_clock_steps_feeds_nothing_wrong() -> None:
    """When the driver's clock jumps by half a second nothing is fed off its moment, and the run ends."""
    hall = WatchedHall().feeding(drill_plan(sets=(20,)))
    fed = len(hall.feeds())
    hall.hall.driver_offset_s += 0.5
    assert hall.hall.until_state("QUICKSTOP", "PAUSED", max_s=10.0)
    assert len(hall.feeds()) - fed <= 1
    assert not [event for event in hall.feeds() if abs(event["t"] - event["planned_s"]) > 0.020]


def test_late_ticks_below_the_bounds_lose_at_most_a_ball() -> None:
    """A loop that stands still for 0.2 s now and then neither faults nor steps, and every ball is thrown in the end."""
    hall = WatchedHall().feeding(drill_plan(sets=(12,)))
    while hall.state == "FEEDING":
        hall.hall.run_for(0.73)
        frozen(hall, "daemon", 0.2)
    assert hall.hall.until_state("ARMED", "PAUSED", "FAULT", max_s=60.0)
    assert hall.state == "ARMED", hall.told("fault")
    assert hall.commanded == 12
    hall.sound()


@pytest.mark.parametrize("name", ["club-build", "kit-build"])
def test_no_ball_is_fed_before_its_axes_have_settled(name: str) -> None:
    """With a loop that is late whenever wheels ought to change, balls are skipped rather than fed on the way."""
    hall = WatchedHall(machine(name)).feeding(drill_plan(machine(name), sets=(8,)))
    while hall.state == "FEEDING":
        fed = len(hall.feeds())
        hall.hall.run_until(lambda fed=fed: len(hall.feeds()) > fed or hall.state != "FEEDING", 8.0)  # type: ignore[misc]
        frozen(hall, "daemon", 0.23)
    assert hall.engine.parts.practice.run is not None
    settings = {
        ball.ball: ball.setting
        for planned_set in hall.engine.parts.practice.run.plan.sets
        for ball in planned_set.balls
    }
    balls = {event.fields["id"]: str(event.fields["ball"]) for event in hall.hall.events if event.topic == "ball"}
    for event in hall.feeds():
        setting = settings[balls[event["id"]]]
        assert event["top_out_rpm"] == pytest.approx(setting.top_rpm, rel=0.02)
        assert event["bottom_out_rpm"] == pytest.approx(setting.bottom_rpm, rel=0.02, abs=35.0)
    hall.sound()


def test_every_stop_raises_the_count_and_repeats_move_nothing() -> None:
    """Each stop counts, in every state; a repeated stop leads nowhere new."""
    hall = WatchedHall().feeding()
    for count in (1, 2, 3):
        assert f"stop count {count}" in hall.ok("stop")
        assert hall.state == "STOPPING"
    assert hall.hall.until_state("IDLE", max_s=20.0)
    assert f"stop count {4}" in hall.ok("stop")
    assert hall.hall.until_state("IDLE", max_s=20.0)
    hall.sound()


def test_a_start_with_an_old_count_is_refused() -> None:
    """After a stop a start must quote the new count, whoever stopped."""
    hall = WatchedHall().armed()
    hall.ok("stop")
    assert hall.hall.until_state("IDLE")
    hall.ok("arm")
    assert hall.refused("start 0") == "stop-count"
    hall.ok("start 1")


def test_a_stop_and_a_start_in_one_instant_end_at_rest() -> None:
    """A start carried out in the same instant as a stop comes to nothing, whichever count it quotes."""
    hall = WatchedHall().armed()
    answers = carried_out_together(hall, "stop", "start 0", "start 1")
    assert answers == {"stop": "ok", "start 0": "wrong-state", "start 1": "wrong-state"}
    assert not any(setpoint.top.rpm for _, setpoint in hall.setpoints)


def test_a_stop_in_the_tick_of_a_feed_leaves_at_most_that_ball() -> None:
    """Stopped at any tick around a feed: nothing is actuated after the driver has read the stop."""
    for ahead_s in (0.12, 0.02, 0.01, 0.005, 0.0, -0.005, -0.02):
        hall = WatchedHall().feeding(fed=1)
        assert hall.hall.run_until(lambda: len(hall.engine.parts.practice.run.set_run.slots) > 1)  # type: ignore[union-attr]  # noqa: B023
        assert hall.engine.parts.practice.run is not None
        moment_s = hall.engine.parts.practice.run.set_run.slots[1].feed_at_s - ahead_s
        hall.hall.run_until(lambda: hall.hall.now_s >= moment_s)  # noqa: B023
        hall.ok("stop")
        hall.hall.run_for(3.0)
        read_s = times(hall.log, "stop", moment_s + hall.hall.driver_offset_s)[0]
        assert not [event for event in hall.feeds() if event["t"] > read_s]
        hall.sound()


def test_what_waits_for_the_driver_is_overtaken_by_a_stop() -> None:
    """An arm and a clear that are not answered yet are refused as superseded when a stop comes."""
    hall = WatchedHall().ready()
    assert carried_out_together(hall, "arm", "stop") == {"arm": "superseded", "stop": "ok"}
    hall = WatchedHall().feeding()
    frozen(hall, "driver", 1.0)
    assert hall.hall.until_state("FAULT")
    assert carried_out_together(hall, "clear", "stop") == {"clear": "superseded", "stop": "ok"}


def test_every_command_gets_an_answer() -> None:
    """A second arm or clear before the first is answered is told that it must wait; both get their answers."""
    hall = WatchedHall().ready()
    tokens = carried_out_together(hall, "arm", "ARM")
    assert tokens == {"arm": "ok", "ARM": "busy"}
    frozen(hall, "driver", 1.0)
    assert hall.hall.until_state("FAULT")
    assert carried_out_together(hall, "clear", "CLEAR") == {"clear": "ok", "CLEAR": "busy"}


def test_clear_moves_nothing_and_leads_to_idle() -> None:
    """Cleared, the thrower is idle with its wheels at rest, and no axis has moved by it."""
    hall = WatchedHall().feeding()
    frozen(hall, "driver", 1.0)
    assert hall.hall.until_state("FAULT")
    hall.hall.run_for(3.0)
    before = (hall.hall.board.top_rpm, hall.hall.board.bottom_rpm, dict(hall.hall.board.angles_deg))
    hall.ok("clear")
    hall.hall.run_for(2.0)
    assert hall.state == "IDLE"
    assert (hall.hall.board.top_rpm, hall.hall.board.bottom_rpm, dict(hall.hall.board.angles_deg)) == before


def test_an_arm_that_is_answered_too_late_is_taken_back() -> None:
    """A driver that arms after its time is over is disarmed again."""
    hall = WatchedHall().ready()
    hall.delays = lambda to, frame: (0.001,) if to == "daemon" or b'"arm"' not in frame else (ANSWER_S + 0.2,)  # type: ignore[method-assign]
    hall.hall.carry = lambda to, frame, now_s: hall.delays(to, frame)
    assert hall.refused("arm") == "driver-refused"
    hall.hall.run_for(1.0)
    assert (hall.state, hall.hall.core.mode) == ("IDLE", "disarmed")


def test_a_driver_lost_at_rest_is_told_once() -> None:
    """A driver that falls silent while idle leads to OFFLINE, once, and back to IDLE when it answers again."""
    hall = WatchedHall().ready()
    hall.lost = True
    hall.hall.run_for(10.0)
    assert [text.split(":")[0] for text in hall.told("state")] == ["IDLE", "OFFLINE"]
    hall.lost = False
    assert hall.hall.until_state("IDLE", max_s=5.0)


def test_a_lost_driver_cancels_a_timed_rest() -> None:
    """A driver lost in a timed rest is a fault; the rest never ends in a start."""
    hall = WatchedHall().feeding(drill_plan(sets=(1, 1), rest_s=20.0))
    assert hall.hall.until_state("RESTING")
    hall.lost = True
    hall.hall.run_for(3.0)
    hall.lost = False
    hall.hall.run_for(30.0)
    assert (hall.state, len(hall.feeds())) == ("FAULT", 1)


def test_the_first_cause_is_the_one_that_is_told() -> None:
    """Later causes neither replace the first nor its hint, in the fault and in the reason of the state."""
    hall = WatchedHall().feeding()
    hall.lost = True
    assert hall.hall.until_state("QUICKSTOP")
    hall.hall.power_up()
    hall.lost = False
    assert hall.hall.until_state("FAULT", max_s=30.0)
    assert hall.engine.parts.mode.fault is not None and hall.engine.parts.mode.fault.cause == "link-lost"
    hall.ok("stop")
    assert hall.engine.parts.mode.reason is not None and hall.engine.parts.mode.reason.startswith("link-lost")
    assert len(hall.told("fault")) == 1


def test_a_wheel_that_wavers_for_a_moment_is_no_slow_spin_up() -> None:
    """Long arrived, a wheel that leaves its band for 40 ms while the countdown runs is no fault."""
    hall = WatchedHall().started(drill_plan(start_delay_s=20.0))
    hall.hall.run_for(12.0)
    for _ in range(8):
        hall.hall.board.top_rpm *= 0.9
        hall.hall.run_for(0.02)
    assert hall.hall.until_state("FEEDING", "QUICKSTOP", max_s=20.0)
    assert hall.state == "FEEDING", hall.told("fault")


def test_a_wheel_that_never_comes_to_rest_ends_in_a_fault() -> None:
    """Wheels that measure as turning long after a stop: a fault, told as not known to stand, and no other end."""
    hall = WatchedHall().feeding()
    hall.ok("stop")
    board = hall.hall.board

    def turned_by_hand() -> bool:
        board.top_rpm = max(board.top_rpm, 900.0)
        return hall.state == "FAULT"

    assert hall.hall.run_until(turned_by_hand, 120.0)
    assert "not known to stand" in (hall.engine.parts.mode.reason or "")


def test_garbage_on_the_link_changes_nothing() -> None:
    """Frames that are no messages are counted, and neither state nor epoch nor drill takes notice."""
    hall = WatchedHall().feeding()
    status = hall.engine.parts.link.status
    assert status is not None
    good = encode(status)
    for garbage in (b"", b"\0" * 50, b"[]", b"{}", good[:-1], good.replace(b'"v":1', b'"v":2'), b"x" * 20_000):
        hall.engine.receive(b"driver", garbage, hall.hall.now_s)
        hall.engine.receive(b"stranger", garbage, hall.hall.now_s)
    for field, value in (("now_s", "NaN"), ("now_s", "1e999"), ("mode", '"dancing"'), ("seq", "-1")):
        told = json.loads(good)
        told[field] = "@"
        hall.engine.receive(b"driver", json.dumps(told).replace('"@"', value).encode(), hall.hall.now_s)
    assert hall.engine.parts.link.bad_frames == 18
    assert isinstance(hall.engine.parts.link.status, Status) and hall.engine.parts.link.status is status
    assert hall.hall.until_state("ARMED")
    assert hall.commanded == 4
