"""Marks and exits: what people and the exit sensor say of balls that were commanded."""

import pytest

from drillfeed.daemon.engine.exits import GIVEN_UP_S, MARGIN_S, ExitWatch
from drillfeed.daemon.engine.schedule import Slot
from drillfeed.daemon.engine.tally import Tally
from drillfeed.protocol.lines import Reply
from tests.support.halls import WatchedHall, drill_plan

SPREAD_S = 0.03


def slot(n: int, leaves_s: float) -> Slot:
    return Slot(
        id=n, n=n, ball=drill_plan().sets[0].balls[0], feed_at_s=leaves_s - 0.1, leaves_s=leaves_s,
        until_s=leaves_s + SPREAD_S,
    )  # fmt: skip


def test_pulse_belongs_to_the_ball_that_was_to_leave_nearest() -> None:
    """Pulses in any order find their balls; a ball is seen once."""
    watch = ExitWatch([slot(1, 10.0), slot(2, 10.2)])
    second, first = watch.saw(10.18), watch.saw(10.05)
    assert first is not None and second is not None
    assert (first.n, second.n) == (1, 2)
    assert watch.saw(10.1) is None


@pytest.mark.parametrize("off_s", [-(SPREAD_S + MARGIN_S + 0.01), SPREAD_S + MARGIN_S + 0.01])
def test_pulse_far_from_every_ball_is_no_balls(off_s: float) -> None:
    """A hand before the sensor, or a double pulse, makes no ball seen."""
    assert ExitWatch([slot(1, 10.0)]).saw(10.0 + off_s) is None


def test_ball_without_a_pulse_is_told_unseen_once_and_not_before_its_time() -> None:
    """Not seen is only said when the ball's time is well over, and said once."""
    watch = ExitWatch([slot(1, 10.0)])
    assert watch.unseen(10.0 + SPREAD_S + GIVEN_UP_S) == []
    assert [ball.n for ball in watch.unseen(10.0 + SPREAD_S + GIVEN_UP_S + 0.01)] == [1]
    assert watch.unseen(99.0) == []


def test_made_is_none_until_somebody_marks_and_a_set_mark_stands_over_its_balls() -> None:
    """Single marks count until their set is marked as a whole."""
    tally = Tally(set_of={1: 1, 2: 1, 3: 2})
    assert (tally.made, tally.marked) == (None, None)
    tally.balls = {1: True, 3: False}
    assert (tally.made, tally.marked) == (1, 2)
    tally.sets = {1: (0, 2)}
    assert (tally.made, tally.marked) == (0, 3)


@pytest.fixture(scope="module")
def hall() -> WatchedHall:
    """A hall in which four balls have gone."""
    watched = WatchedHall()
    assert watched.hall.start(drill_plan(sets=(4,)), balls=40).ok
    assert watched.hall.run_until(lambda: watched.hall.engine.state == "ARMED", 60.0)
    return watched


@pytest.mark.parametrize(
    ("line", "answer"),
    [
        ("mark made 3 of 4", "set 1: 3 of 4 made"),
        ("mark missed 3", "set 1: 1 of 4 made"),
        ("mark made 0 of 4", "set 1: 0 of 4 made"),
        ("mark made", "ball 4 made"),
        ("mark missed ball 2", "ball 2 missed"),
        ("mark made 5", "bad-argument"),
        ("mark made 2 of 5", "bad-argument"),
        ("mark made 2 set 3", "unknown-name"),
        ("mark made ball 9", "unknown-name"),
        ("mark made of 3", "bad-argument"),
        ("mark made set 1", "bad-argument"),
        ("mark made 2 ball 1", "bad-argument"),
    ],
)
def test_mark_is_taken_or_refused_with_its_reason(hall: WatchedHall, line: str, answer: str) -> None:
    """A mark is about balls that went, and says what it took; one that makes no sense changes nothing."""
    before = (dict(run.tally.sets), dict(run.tally.balls)) if (run := hall.hall.engine.parts.practice.run) else None
    reply: Reply = hall.hall.say(line)
    if reply.ok:
        assert reply.text == answer
        return
    assert reply.code is not None and reply.code.name == answer
    assert hall.hall.engine.parts.practice.run is not None
    assert before == (hall.hall.engine.parts.practice.run.tally.sets, hall.hall.engine.parts.practice.run.tally.balls)


def test_nothing_can_be_marked_before_a_ball_has_gone() -> None:
    """Without a ball there is nothing to mark, and the refusal says what to do."""
    reply = WatchedHall().hall.say("mark made")
    assert reply.code is not None and reply.code.name == "no-drill" and "throw one ball" in reply.text


def test_refusal_names_what_the_set_threw() -> None:
    """The text of a refused count holds the balls of the set and what was found."""
    watched = WatchedHall()
    watched.hall.start(drill_plan(sets=(2,)), balls=40)
    watched.hall.run_until(lambda: watched.hall.engine.state == "ARMED", 60.0)
    text = watched.hall.say("mark made 14 of 20").text
    assert "set 1 threw 2 balls" in text and "found 14 of 20" in text
