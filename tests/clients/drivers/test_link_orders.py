"""Clauses L18 to L29: orders, rest, status, the end."""

from dataclasses import replace
from itertools import pairwise

import pytest

from drillfeed.clients.drivers.board import Reading
from drillfeed.protocol.link import DriverHello, Status
from tests.clients.drivers.link_rig import BLIND, LIMITS, START_S, TRAITS, ListBoard, Rig


@pytest.mark.parametrize("kind", ["stop", "disarm"])
@pytest.mark.parametrize("session", ["session-1", "another", ""], ids=["own", "other", "empty"])
@pytest.mark.parametrize("epoch", [0, 1, 99])
def test_stop_is_obeyed_from_anybody(kind: str, session: str, epoch: int) -> None:
    """L18: feed off while the message is read, queue emptied, wheels down at the quick rate by the driver alone."""
    rig = Rig().spin()
    cuts = len(rig.board.cuts)
    rig.give(rig.setpoint(rpm=1500.0, feeding=True, feeds=((7, rig.now + 0.05),)))
    answers = rig.give(rig.order(kind, session=session, epoch=epoch))
    assert len(rig.board.cuts) > cuts and not rig.core.gate.open and rig.core.mode == "stopping"
    assert isinstance(answers[-1], Status) and answers[-1].mode == "stopping" and not answers[-1].feeding
    before = rig.board.rpm["top"]
    rig.tick()
    assert before - rig.board.rpm["top"] == pytest.approx(8000.0 * 0.005)
    rig.run(0.5, rpm=1500.0, feeding=True, epoch=99)
    assert rig.fed == [] and rig.core.mode == "disarmed" and rig.board.rpm["top"] == 0.0


def test_stop_is_obeyed_before_hello() -> None:
    """L18: a driver with no session cuts the feeder too."""
    rig = Rig()
    rig.give(rig.order("stop", session="whoever"))
    assert rig.board.cuts and rig.core.mode == "disarmed"


@pytest.mark.parametrize(
    "frame",
    [
        b'{"kind":"stop"}',
        b'{"v":9,"kind":"stop","session":"x","epoch":1}',
        b'{"kind":"stop","session":"x","epoch":1}',
        b'{"kind":"disarm","session":null,"epoch":-1}',
    ],
    ids=["bare", "other version", "no version", "wrong types"],
)
def test_stop_is_obeyed_in_a_frame_with_other_mistakes(frame: bytes) -> None:
    """L19: the kind alone is enough to stop; the frame is listed as refused all the same."""
    rig = Rig().spin()
    rig.give(frame)
    assert rig.core.mode == "stopping" and len(rig.reasons()) == 1


def test_a_repeated_stop_changes_nothing() -> None:
    """L18: stop is idempotent."""
    rig = Rig().spin()
    rig.give(rig.order("stop"))
    rig.quiet(0.05)
    mode, rpm = rig.core.mode, dict(rig.board.rpm)
    rig.give(rig.order("stop"))
    assert (rig.core.mode, rig.board.rpm) == (mode, rpm)


def test_a_late_copy_of_arm_starts_nothing_after_a_stop() -> None:
    """L20: an arm is judged once an epoch; after a stop in that epoch its copies are passed over."""
    rig = Rig().spin()
    rig.give(rig.order("stop", session="another"))
    rig.run(0.5)
    assert rig.core.mode == "disarmed"
    rig.give(rig.order("arm"))
    assert rig.core.mode == "disarmed"
    rig.epoch += 1
    rig.give(rig.order("arm"))
    assert rig.core.mode == "armed"


@pytest.mark.parametrize(("session", "epoch"), [("another", 5), ("session-1", 1)], ids=["other session", "older epoch"])
def test_arm_and_clear_need_session_and_epoch(session: str, epoch: int) -> None:
    """L20, L21: arm and clear of another session or an older epoch are refused."""
    rig = Rig().greet()
    rig.run(0.1, epoch=2)
    for kind in ("arm", "clear"):
        rig.give(rig.order(kind, session=session, epoch=epoch))
    assert rig.core.mode == "disarmed" and len(rig.reasons()) == 2


def test_arm_before_hello_is_refused() -> None:
    """L20: no session, no arming."""
    rig = Rig()
    rig.tick()
    rig.give(rig.order("arm", epoch=1))
    assert rig.core.mode == "disarmed" and rig.reasons() == ["another session"]


@pytest.mark.parametrize(
    ("shows", "reason"),
    [
        (Reading(top_rpm=50.0, bottom_rpm=0.0), "wheels not at rest"),
        (Reading(top_rpm=None, bottom_rpm=0.0), "rest is unknown"),
        (Reading(top_rpm=float("nan"), bottom_rpm=0.0), "rest is unknown"),
    ],
    ids=["turning", "unreadable", "no number"],
)
def test_arm_needs_measured_rest(shows: Reading, reason: str) -> None:
    """L20: with feedback, arming needs both wheels measured at rest."""
    rig = Rig().greet()
    rig.board.shows = shows
    rig.tick()
    rig.give(rig.order("arm", epoch=1))
    assert rig.core.mode == "disarmed" and rig.core.mode_reason == f"arm refused: {reason}"


def test_without_feedback_arm_waits_for_the_spin_down_time() -> None:
    """L24: with no feedback rest is assumed, and only once the spin-down time has passed since the driver began."""
    rig = Rig(BLIND).greet()
    rig.run(5.9)
    assert rig.status().at_rest is None and rig.status().rest_known == "unknown"
    rig.give(rig.order("arm", epoch=1))
    assert rig.core.mode == "disarmed" and rig.core.mode_reason == "arm refused: rest is unknown"
    rig.run(0.2, epoch=1)
    assert rig.status().at_rest is True and rig.status().rest_known == "assumed"
    rig.give(rig.order("arm", epoch=2))
    assert rig.core.mode == "armed"


def test_without_feedback_a_stop_ends_after_the_spin_down_time() -> None:
    """L23, L24: outputs at zero are not rest; `stopping` lasts until the spin-down time has passed."""
    rig = Rig(BLIND).spin()
    rig.give(rig.order("stop"))
    rig.run(0.25)
    assert not rig.core.outputs.turning
    rig.run(5.8)
    assert rig.core.mode == "stopping"
    rig.run(0.3)
    assert rig.core.mode == "disarmed" and rig.core.mode_reason == "at rest (assumed) after stop"


def test_a_stop_whose_end_is_not_seen_times_out_and_says_so() -> None:
    """L23: a wheel whose sensor stands still does not hold `stopping` for ever, and does not count as rest."""
    rig = Rig().spin()
    rig.give(rig.order("stop"))
    rig.board.shows = Reading(top_rpm=1500.0, bottom_rpm=0.0)
    rig.run(8.9)
    assert rig.core.mode == "stopping"
    rig.run(0.4)
    assert rig.core.mode == "disarmed" and rig.core.mode_reason == "outputs at zero, rest not seen, after stop"
    assert rig.status().at_rest is False


def test_clear_leaves_tripped_only_at_rest_and_moves_nothing() -> None:
    """L21: clear while wheels turn is refused with the reason; at rest it ends in disarmed; no output changes."""
    rig = Rig().spin(rpm=6000.0, seconds=2.5)
    rig.quiet(0.6)
    assert rig.core.mode == "tripped"
    before = dict(rig.board.rpm)
    rig.give(rig.order("clear"))
    assert rig.core.mode == "tripped" and "clear refused" in (rig.core.mode_reason or "")
    assert rig.board.rpm == before
    rig.run(1.0)
    rig.give(rig.order("arm", epoch=2))
    assert rig.core.mode == "tripped"
    rig.give(rig.order("clear", epoch=2))
    assert rig.core.mode == "disarmed" and rig.board.rpm == {"top": 0.0, "bottom": 0.0}


def test_a_driver_that_begins_with_turning_wheels_brings_them_down() -> None:
    """L22: wheels found turning at the start are taken over at their speed and let down at the quick rate."""
    rig = Rig(board=ListBoard(rpm={"top": 3000.0, "bottom": 1000.0}))
    rig.tick()
    assert rig.core.mode == "stopping" and rig.board.rpm["top"] == 3000.0
    rig.tick()
    assert rig.board.rpm["top"] == pytest.approx(3000.0 - 8000.0 * 0.005)
    rig.quiet(0.4)
    assert rig.core.mode == "disarmed" and rig.board.rpm["top"] == 0.0


def test_a_reversal_passes_through_rest_and_stop_ends_at_zero_from_both_sides() -> None:
    """L25: wheels that may turn backwards fall to 0 at the falling rate before they rise the other way."""
    wheel = LIMITS.top.model_copy(update={"low_rpm": -6000.0})
    rig = Rig(replace(TRAITS, limits=LIMITS.model_copy(update={"top": wheel, "bottom": wheel})))
    rig.arm()
    rig.run(1.0, rpm=-1000.0)
    assert rig.board.rpm["top"] == -1000.0
    rig.run(0.7, rpm=1000.0, ramp=9e9)
    assert rig.board.rpm["top"] > 0
    rig.run(1.0, rpm=-1000.0)
    rig.give(rig.order("stop"))
    rig.run(0.5)
    assert rig.board.rpm["top"] == 0.0 and rig.core.mode == "disarmed"


def test_status_comes_every_20_ms() -> None:
    """L26: in any quiet second there are fifty statuses, 20 ms apart."""
    rig = Rig().greet()
    rig.quiet(0.1)
    rig.sent.clear()
    rig.quiet(1.0)
    times = [message.now_s for message in rig.sent if isinstance(message, Status)]
    assert len(times) == 50
    assert all(b - a == pytest.approx(0.02) for a, b in pairwise(times))


def test_a_change_is_told_at_once() -> None:
    """L26: mode, feed and results do not wait for the next 20 ms."""
    rig = Rig().spin()
    rig.tick()
    answers = rig.give(rig.setpoint(feeding=False))
    assert isinstance(answers[-1], Status) and not answers[-1].feeding


def test_a_flood_of_garbage_is_not_answered_with_a_flood() -> None:
    """L27: refusals are counted and told in the next status, of the last eight."""
    rig = Rig().greet()
    rig.quiet(0.1)
    answers = [frame for _ in range(1000) for frame in rig.give(b"\xff\x00garbage")]
    assert answers == []
    assert [refusal.n for refusal in rig.status().refusals] == list(range(993, 1001))


def test_exits_are_counted_and_kept() -> None:
    """L26: each ball seen leaving has its number and moment; without a sensor nothing is told."""
    rig = Rig().greet()
    rig.board.exits = 2
    rig.tick()
    assert [(exit_.n, exit_.at_s) for exit_ in rig.status().exits] == [(1, START_S + 0.01), (2, START_S + 0.01)]
    blind = Rig(BLIND).greet()
    blind.board.shows = Reading(exits=3)
    assert blind.status().exits == ()


def test_unreadable_speeds_are_a_fault_and_never_a_number() -> None:
    """L26: what is not known is left out, and named as a fault where the driver declared feedback."""
    rig = Rig().greet()
    rig.board.shows = Reading(top_rpm=float("inf"), bottom_rpm=None, supply_v=float("nan"))
    status = rig.status()
    assert status.top.measured_rpm is None and status.bottom.measured_rpm is None and status.supply_v is None
    assert [fault.part for fault in status.faults] == ["top", "bottom"] and status.at_rest is None


def test_hello_is_sent_until_a_session_and_after_a_second_of_silence() -> None:
    """L28: hello at the start, each second without a session, and after 1 s with nothing of the session."""
    rig = Rig()
    rig.quiet(3.0)
    assert sum(isinstance(message, DriverHello) for message in rig.sent) == 3
    rig.give(rig.hello())
    rig.sent.clear()
    rig.run(3.0)
    assert not any(isinstance(message, DriverHello) for message in rig.sent)
    rig.quiet(1.5)
    assert sum(isinstance(message, DriverHello) for message in rig.sent) == 1


def test_a_daemon_that_only_repeats_its_hello_gets_another() -> None:
    """L28: a repeated hello shows that ours was lost; it does not count as word of the session."""
    rig = Rig().greet()
    rig.sent.clear()
    for _ in range(4):
        rig.quiet(0.5)
        rig.give(rig.hello())
    assert sum(isinstance(message, DriverHello) for message in rig.sent) == 2


def test_the_end_cuts_everything() -> None:
    """L29: a driver that ends leaves feeder, agitator and wheels without output."""
    rig = Rig().spin()
    rig.core.close(rig.now)
    assert rig.board.rpm == {"top": 0.0, "bottom": 0.0} and not rig.core.gate.open
    assert rig.log[-1][0] == "end"


def test_a_stop_while_disarmed_spends_its_epoch_for_arming() -> None:
    """L20: an arm of the epoch in which a stop was read, even at rest, is passed over."""
    rig = Rig().greet()
    rig.epoch = 1
    rig.give(rig.order("stop"))
    rig.give(rig.order("arm"))
    assert rig.core.mode == "disarmed"
    rig.epoch = 2
    rig.give(rig.order("arm"))
    assert rig.core.mode == "armed"


def test_creeping_wheels_under_an_output_are_not_at_rest() -> None:
    """L24: a wheel slower than 0.10 m/s at the rim is not at rest while its output is not zero."""
    rig = Rig().arm()
    rig.run(0.5, rpm=20.0)
    status = rig.status()
    assert status.top.measured_rpm == 20.0 and status.at_rest is False
