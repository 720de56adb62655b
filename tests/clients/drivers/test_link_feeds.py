"""Clauses L14 to L17 and L30: when a ball is pushed, and when not."""

import pytest

from drillfeed.clients.drivers.board import PushAnswer, Reading
from tests.clients.drivers.link_rig import BLIND, ListBoard, Rig


def ask(rig: Rig, id: int, in_s: float = 0.1, **what: object) -> None:
    """Ask for a ball in `in_s` seconds beside a good setpoint, then let time pass with good setpoints."""
    at_s = rig.now + in_s
    rig.give(rig.setpoint(**{"rpm": 1500.0, "feeding": True, "feeds": ((id, at_s),), **what}))  # type: ignore[arg-type]
    rig.run(in_s + 0.05, rpm=1500.0, feeding=True)


def test_a_feed_is_actuated_at_its_moment_once() -> None:
    """L17, L30: the ball goes within one tick of its moment, and repeats of the id, before and after, push nothing."""
    rig = Rig().spin()
    at_s = rig.now + 0.2
    for _ in range(20):
        rig.run(0.02, rpm=1500.0, feeding=True, feeds=((7, at_s),))
    assert rig.fed == [7]
    assert 0 <= rig.board.fed[0][0] - at_s <= 0.0051
    assert rig.result(7) == ("done", None)
    assert [result.id for result in rig.core.gate.ledger.results] == [7]


def test_a_spent_id_is_refused_for_another_moment() -> None:
    """L30: the same id for another ball pushes nothing and is told as refused, after its first result."""
    rig = Rig().spin()
    ask(rig, 7)
    ask(rig, 7, 0.3)
    assert rig.fed == [7]
    assert [(result.id, result.result, result.reason) for result in rig.status().feeds] == [
        (7, "done", None),
        (7, "refused", "id used"),
    ]


class AnsweringBoard(ListBoard):
    """A board whose feeder is switched by a part that answers later."""

    answers: tuple[PushAnswer, ...] = ()

    def push_answers(self) -> tuple[PushAnswer, ...]:
        told, self.answers = self.answers, ()
        return told


@pytest.mark.parametrize(("reason", "result"), [(None, "done"), ("blocked", "refused")])
def test_a_push_is_unknown_until_the_feeder_has_answered(reason: str | None, result: str) -> None:
    """L30: `unknown` at the moment of asking; the answer takes its place, also after the id was asked for anew."""
    board = AnsweringBoard()
    rig = Rig(board=board).spin()
    ask(rig, 7)
    asked_s = board.fed[0][0]
    assert [(result.id, result.result, result.at_s) for result in rig.status().feeds] == [(7, "unknown", asked_s)]
    ask(rig, 7, 0.3)
    board.answers = (PushAnswer(7, asked_s, asked_s + 0.01, reason), PushAnswer(8, asked_s, asked_s))
    rig.run(0.02, rpm=1500.0, feeding=True)
    told = [(result.id, result.result, result.reason) for result in rig.status().feeds]
    assert told == [(7, result, reason), (7, "refused", "id used")]
    board.answers = (PushAnswer(7, asked_s, asked_s, "another word"),)
    rig.run(0.02, rpm=1500.0, feeding=True)
    assert [(result.id, result.result, result.reason) for result in rig.status().feeds] == told
    assert rig.fed == [7]


def test_an_answer_about_an_earlier_session_settles_nothing() -> None:
    """L30: ids begin anew with a session, so the answer to a push of the one before is not taken for a ball of now."""
    board = AnsweringBoard()
    rig = Rig(board=board).spin()
    ask(rig, 7)
    first_s = board.fed[0][0]
    rig.core.gate.new_session(rig.now)
    rig.core.gate.ledger.told(7, rig.now, rig.now)
    board.answers = (PushAnswer(7, first_s, first_s),)
    rig.core.gate.hear()
    assert [result.result for result in rig.core.gate.ledger.results] == ["unknown"]


def test_a_refused_id_is_spent_too() -> None:
    """L30: what was refused once is not pushed later under the same id."""
    rig = Rig().spin()
    rig.give(rig.setpoint(rpm=1500.0, feeding=True, feeds=((7, rig.now - 0.05),)))
    rig.run(0.05, rpm=1500.0, feeding=True)
    ask(rig, 7)
    assert rig.fed == [] and rig.result(7) == ("refused", "55 ms late")


@pytest.mark.parametrize(("late_s", "goes"), [(0.014, True), (0.016, False), (0.5, False)], ids=["19", "21", "505"])
def test_a_late_feed_is_skipped(late_s: float, goes: bool) -> None:
    """L17: more than 20 ms after its moment a ball is skipped, never pushed late."""
    rig = Rig().spin()
    rig.give(rig.setpoint(rpm=1500.0, feeding=True, feeds=((7, rig.now - late_s),)))
    rig.tick()
    assert (rig.fed == [7]) is goes
    result = rig.result(7)
    assert result is not None and (result[0] == "done") is goes


@pytest.mark.parametrize(
    ("top", "bottom", "goes"),
    [
        (1500.0, 1500.0, True),
        (1531.0, 1470.0, True),
        (1533.0, 1500.0, False),
        (1500.0, 1467.0, False),
        (None, 1500.0, False),
        (float("nan"), 1500.0, False),
    ],
    ids=["on target", "just within", "top fast", "bottom slow", "top unknown", "top no number"],
)
def test_own_wheel_speeds_gate_the_feed(top: float | None, bottom: float, goes: bool) -> None:
    """L17: no ball while a measured wheel is out of band (60 mm: 0.10 m/s = 31.8 rpm) or not readable."""
    rig = Rig().spin()
    rig.board.shows = Reading(top_rpm=top, bottom_rpm=bottom, exits=0)
    rig.run(0.15, rpm=1500.0, feeding=True)
    ask(rig, 7)
    assert (rig.fed == [7]) is goes


def test_the_band_widens_with_speed() -> None:
    """L17: from 1,592 rpm on, 2 % of the target is more than 0.10 m/s at the rim of 60 mm."""
    rig = Rig().spin(rpm=4000.0, seconds=2.0)
    rig.board.shows = Reading(top_rpm=4079.0, bottom_rpm=3921.0, exits=0)
    rig.run(0.15, rpm=4000.0, feeding=True)
    rig.run(0.15, rpm=4000.0, feeding=True, feeds=((7, rig.now + 0.1),))
    assert rig.fed == [7]


def test_one_wild_reading_does_not_count() -> None:
    """L17: the band is judged by the median of the last 100 ms."""
    rig = Rig().spin()
    rig.board.shows = Reading(top_rpm=9000.0, bottom_rpm=1500.0, exits=0)
    rig.tick()
    rig.board.shows = None
    ask(rig, 7, 0.03)
    assert rig.fed == [7]


def test_the_band_is_judged_against_the_target_not_the_ramp() -> None:
    """L17: while the wheels are still on their way, in step with their ramp, nothing is pushed."""
    rig = Rig().spin()
    rig.run(0.35, rpm=3000.0, feeding=True, ramp=1000.0)
    rig.run(0.15, rpm=3000.0, feeding=True, ramp=1000.0, feeds=((7, rig.now + 0.1),))
    assert rig.fed == []


@pytest.mark.parametrize(("measured_deg", "goes"), [(10.9, True), (9.1, True), (11.1, False), (None, True)], ids=str)
def test_a_measured_angle_gates_the_feed(measured_deg: float | None, goes: bool) -> None:
    """L17: no ball while an angle that is measured is more than a degree off; one that isn't is taken to be there."""
    rig = Rig().spin()
    rig.board.shows = Reading(top_rpm=1500.0, bottom_rpm=1500.0, tilt_deg=measured_deg, exits=0)
    rig.run(0.45, rpm=1500.0, feeding=True, tilt_deg=10.0)
    rig.run(0.15, rpm=1500.0, feeding=True, tilt_deg=10.0, feeds=((7, rig.now + 0.1),))
    assert (rig.fed == [7]) is goes


def test_without_feedback_the_band_is_skipped() -> None:
    """L17: a driver that declared no feedback pushes by time alone."""
    rig = Rig(BLIND).spin()
    ask(rig, 7)
    assert rig.fed == [7]


def test_feeding_false_closes_at_once() -> None:
    """L14: `feeding` false acts when it is read, not at its `at_s`, and refuses what waits."""
    rig = Rig().spin()
    rig.give(rig.setpoint(rpm=1500.0, feeding=True, feeds=((7, rig.now + 0.1),)))
    rig.give(rig.setpoint(rpm=1500.0, feeding=False))
    assert not rig.core.gate.open and rig.board.cuts == []
    rig.run(0.25, rpm=1500.0, feeding=False)
    assert rig.fed == [] and rig.result(7) == ("refused", "feeding is false")


def test_feeding_true_opens_at_its_moment() -> None:
    """L14: `feeding` true opens at the setpoint's `at_s`; a ball due before is refused."""
    rig = Rig().arm()
    rig.run(1.0, rpm=1500.0)
    ask(rig, 7, 0.1)
    assert rig.fed == [] and rig.result(7) == ("refused", "feed is closed")
    rig.run(0.4, rpm=1500.0, feeding=True)
    ask(rig, 8, 0.1)
    assert rig.fed == [8]


def test_a_new_epoch_refuses_waiting_feeds() -> None:
    """L11: a ball asked for in an older epoch never goes."""
    rig = Rig().spin()
    rig.give(rig.setpoint(rpm=1500.0, feeding=True, feeds=((7, rig.now + 0.2),)))
    rig.epoch += 1
    rig.run(0.4, rpm=1500.0, feeding=True, ahead_s=0.1)
    assert rig.fed == [] and rig.result(7) == ("refused", "epoch 1 ended")


@pytest.mark.parametrize("mode", ["disarmed", "stopping", "tripped"])
def test_only_armed_feeds(mode: str) -> None:
    """L17: in every other mode a feed is refused by name."""
    rig = Rig()
    if mode == "disarmed":
        rig.greet()
    else:
        rig.spin(rpm=6000.0, seconds=2.5)
        if mode == "stopping":
            rig.give(rig.order("stop"))
        else:
            rig.quiet(0.51)
    assert rig.core.mode == mode
    rig.give(rig.setpoint(rpm=1500.0, feeding=True, feeds=((7, rig.now + 0.1),)))
    rig.run(0.2, rpm=1500.0, feeding=True)
    assert rig.fed == [] and rig.result(7) == ("refused", f"mode is {mode}")


def test_the_agitator_runs_only_while_the_feed_is_open() -> None:
    """L14: agitator on with the open feed, off the moment the feed closes."""
    rig = Rig().spin(agitator=True)
    assert rig.board.agitator[-1][1] is True
    rig.give(rig.order("stop"))
    assert rig.board.agitator[-1] == (rig.board.now, False)


def test_very_many_ids_are_remembered_in_bounded_room() -> None:
    """L30: after ten thousand balls the lowest ids are forgotten and still count as spent."""
    rig = Rig().spin()
    for id in range(10_000):
        rig.core.gate.ledger.refuse(id, 0.0, rig.now, "test")
    assert (
        rig.core.gate.ledger.spent(0) and rig.core.gate.ledger.spent(9_999) and not rig.core.gate.ledger.spent(10_000)
    )
    assert len(rig.core.gate.ledger._spent) <= 4096


def test_the_target_of_an_older_epoch_does_not_hold_the_feed_open() -> None:
    """L11: while the old target is still in force the feed stays closed; the new epoch opens it at its own moment."""
    rig = Rig().spin()
    rig.epoch += 1
    rig.give(rig.setpoint(rpm=1500.0, feeding=True, ahead_s=0.1))
    rig.quiet(0.09)
    assert rig.core.queue.in_force is not None and not rig.core.gate.open
    rig.quiet(0.02)
    assert rig.core.gate.open


def test_a_speed_that_has_just_gone_closes_the_gate() -> None:
    """L17: good speeds of a moment ago do not stand for a newest one that is missing."""
    rig = Rig().spin()
    rig.give(rig.setpoint(rpm=1500.0, feeding=True, feeds=((7, rig.now + 0.01),)))
    rig.board.shows = Reading(top_rpm=None, bottom_rpm=1500.0, exits=0)
    rig.quiet(0.02)
    assert rig.fed == [] and rig.result(7) == ("refused", "top wheel: speed not known")
