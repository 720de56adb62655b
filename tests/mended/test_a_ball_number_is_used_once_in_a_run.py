"""A ball number belongs to one ball of a run, whatever is refused, skipped, paused, cut short or changed."""

from itertools import pairwise

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from drillfeed.daemon.drills.drill import read_drill
from drillfeed.daemon.engine.run import DrillRun
from drillfeed.daemon.engine.schedule import Slot
from drillfeed.daemon.engine.snapshot import snapshot
from drillfeed.daemon.planning.change import change_plan
from drillfeed.daemon.planning.plan import DrillPlan, plan_drill
from drillfeed.protocol.link import FeedResult
from drillfeed.protocol.status import BallInfo
from tests.support.halls import WatchedHall, ball_types, drill_plan, machine

PLAN = drill_plan(sets=(3, 2, 3))
SLOWER = change_plan(PLAN, "slower", ball_types(), machine())
STEPS = st.lists(
    st.sampled_from(["plan", "plan", "plan", "fed", "fed", "refused", "skipped", "unknown", "pause", "cut", "change"]),
    max_size=60,
)


class Story:
    """A run on a clock of its own, taken through steps; `told` keeps every slot that was settled."""

    def __init__(self) -> None:
        self.run = DrillRun(PLAN, 0.0, has_exit_sensor=False)
        self.told: list[Slot] = []
        self.ids = iter(range(1, 10_000))
        self.now_s = 0.0

    def step(self, step: str) -> None:
        set_run = self.run.set_run
        opened = [slot for slot in set_run.slots if slot.outcome is None]
        if step == "plan":
            self.plan()
        elif step in ("fed", "refused") and opened:
            self.answer(opened[0], "done" if step == "fed" else "refused")
        elif step == "skipped" and opened and not opened[0].told:
            set_run.due(opened[0].feed_at_s, "the feed is closed", lambda slot: True)
        elif step == "unknown" and opened:
            opened[0].told = True
            self.now_s = max(self.now_s, opened[0].until_s + 1.0)
            set_run.give_up_unanswered(self.now_s)
        elif step == "pause" and set_run.slots:
            set_run.taking_back = True
            set_run.drop_open()
            set_run.slots.clear()
        elif step == "cut":
            set_run.cut()
        elif step == "change":
            self.run.change(SLOWER if self.run.plan is PLAN else PLAN)
        self.settle()
        if not set_run.unfinished and self.run.has_next:
            self.run.next_set()

    def plan(self) -> None:
        """Give the next ball its slot, as a set that begins or goes on does; status must have named its number."""
        set_run, expected = self.run.set_run, self.run.set_run.next_n
        before = len(set_run.slots)
        if not set_run.slots and set_run.next_ball is not None:
            set_run.begin(self.now_s + 5.0, next(self.ids))
        elif set_run.slots:
            self.now_s = max(self.now_s, set_run.slots[-1].until_s)
            set_run.plan_ahead(self.now_s, self.now_s, lambda: next(self.ids))
        if len(set_run.slots) > before:
            assert set_run.slots[-1].n == expected

    def answer(self, slot: Slot, result: str) -> None:
        slot.told = True
        told = FeedResult.model_validate({"id": slot.id, "result": result, "at_s": 1.0, "reason": "a reason"})
        self.run.set_run.take(told, slot.feed_at_s)

    def settle(self) -> None:
        for slot in self.run.set_run.settled():
            self.run.count(slot)
            self.told.append(slot)


@settings(deadline=None, max_examples=400)
@given(STEPS)
def test_numbers_rise_and_none_is_used_twice(steps: list[str]) -> None:
    """Every settled slot has a number of its own; numbers rise with the slots; each fed ball can be marked by it."""
    story = Story()
    for step in steps:
        story.step(step)
    numbers = [slot.n for slot in story.told]
    assert len(set(numbers)) == len(numbers)
    in_order = sorted(story.told, key=lambda slot: slot.id)
    assert all(before.n < after.n for before, after in pairwise(in_order))
    fed = [slot.n for slot in story.told if slot.outcome == "fed"]
    assert sorted(story.run.tally.set_of) == sorted(fed)
    assert all(story.run.tally.set_of[slot.n] == slot.set for slot in story.told if slot.outcome == "fed")


def refused_once(sets: tuple[int, ...] = (3, 2), at: int = 2) -> WatchedHall:
    """Return a hall whose driver has refused the ball after the first `at`: its wheel was out of band once."""
    hall = WatchedHall().started(drill_plan(sets=sets))
    assert hall.hall.until_state("FEEDING")
    hall.hall.run_until(lambda: len(hall.feeds()) == at)
    hall.hall.run_for(0.95)
    hall.hall.board.top_rpm *= 0.9
    assert hall.hall.run_until(
        lambda: hall.engine.parts.practice.run is not None and hall.engine.parts.practice.run.refused == 1, 5.0
    )
    return hall


def ball_numbers(hall: WatchedHall) -> list[tuple[int, str]]:
    return [(int(str(e.fields["n"])), str(e.fields["outcome"])) for e in hall.hall.events if e.topic == "ball"]


def next_ball(hall: WatchedHall) -> BallInfo | None:
    return snapshot(hall.engine.parts, hall.hall.now_s).next_ball


def test_the_second_set_goes_on_after_a_retried_ball() -> None:
    """Sets of 3 and 2 with one refusal: six numbers for six slots, and the ball thrown again has one of its own."""
    hall = refused_once()
    assert hall.hall.until_state("RESTING")
    seen = next_ball(hall)
    assert seen is not None and (seen.n, seen.set) == (5, 2)
    hall.ok("ready")
    assert hall.hall.until_state("ARMED", max_s=60)
    assert ball_numbers(hall) == [(1, "fed"), (2, "fed"), (3, "refused"), (4, "fed"), (5, "fed"), (6, "fed")]


def test_every_fed_ball_can_be_marked_after_a_retry() -> None:
    """`mark` finds each fed ball by the number that was told, and each set has as many as it threw."""
    hall = refused_once()
    assert hall.hall.until_state("RESTING")
    hall.ok("ready")
    assert hall.hall.until_state("ARMED", max_s=60)
    for n, outcome in ball_numbers(hall):
        if outcome == "fed":
            assert hall.ok(f"mark made ball {n}") == f"ball {n} made"
    assert hall.refused("mark made ball 3") == "unknown-name"
    assert hall.ok("mark made 3 of 3 set 1") == "set 1: 3 of 3 made"
    assert hall.ok("mark made 2 of 2 set 2") == "set 2: 2 of 2 made"


def test_a_skipped_set_wastes_no_numbers() -> None:
    """After a skip the next set's first ball has the next number, and status names it before it is thrown."""
    hall = WatchedHall().feeding(drill_plan(sets=(6, 2)), fed=2)
    hall.ok("pause")
    hall.hall.run_for(1.5)
    hall.ok("skip")
    highest = max(n for n, _ in ball_numbers(hall))
    seen = next_ball(hall)
    assert seen is not None and (seen.n, seen.set) == (highest + 1, 2)
    hall.ok("ready")
    assert hall.hall.until_state("ARMED", max_s=60)
    assert [n for n, _ in ball_numbers(hall)] == list(range(1, highest + 3))


def test_status_names_every_next_ball_before_it_goes() -> None:
    """Whenever a ball is settled, status had named its number and its type as next before; through a refusal too."""
    named: set[tuple[int, str]] = set()
    hall = WatchedHall().started(drill_plan(sets=(3, 2), rest_s=2.0))
    assert hall.hall.until_state("FEEDING")
    blunted = False
    while hall.state != "ARMED":
        hall.hall.step()
        seen = next_ball(hall)
        if seen is not None:
            named.add((seen.n, seen.ball))
            assert not any(n >= seen.n for n, _ in ball_numbers(hall))
        if not blunted and len(hall.feeds()) == 2 and hall.hall.now_s > hall.feeds()[1]["t"] - 1000 + 0.95:
            hall.hall.board.top_rpm *= 0.9
            blunted = True
    told = [(int(str(e.fields["n"])), str(e.fields["ball"])) for e in hall.hall.events if e.topic == "ball"]
    assert len(told) == 6 and set(told) <= named


def test_in_a_pause_status_names_the_ball_that_is_put_back() -> None:
    """While nobody knows yet whether the last ball went it is the next one; put back, it still is."""
    hall = WatchedHall().feeding(drill_plan(sets=(6,)), fed=2)
    assert hall.engine.parts.practice.run is not None
    assert hall.hall.run_until(lambda: any(s.outcome is None for s in hall.engine.parts.practice.run.set_run.slots))  # type: ignore[union-attr]
    hall.hall.run_until(lambda: next_ball(hall) is not None)
    ahead = next_ball(hall)
    hall.ok("pause")
    seen = next_ball(hall)
    assert ahead is not None and seen is not None and (seen.n, seen.ball) == (ahead.n, ahead.ball)
    hall.hall.run_for(1.0)
    seen = next_ball(hall)
    assert seen is not None and seen.n == max(n for n, _ in ball_numbers(hall)) + 1


def test_a_run_that_was_stopped_has_no_next_ball() -> None:
    """After a stop a start begins anew: status names no ball of the run that is over."""
    hall = WatchedHall().feeding(drill_plan(sets=(6,)), fed=2)
    hall.ok("stop")
    assert hall.hall.until_state("IDLE")
    assert next_ball(hall) is None


def test_last_ball_keeps_the_set_it_was_thrown_in() -> None:
    """In the rest after a set, the last ball is still one of that set."""
    hall = WatchedHall().feeding(drill_plan(sets=(2, 2)))
    assert hall.hall.until_state("RESTING")
    last = snapshot(hall.engine.parts, hall.hall.now_s).last_ball
    assert last is not None and (last.n, last.set) == (2, 1)


@pytest.mark.parametrize("verb", ["easier", "slower"])
def test_a_change_after_a_refusal_names_the_ball_it_holds_from(verb: str) -> None:
    """A change told `from ball N` holds from the ball that is thrown as number N."""
    order = {"kind": "random", "weights": {"light-topspin": 1, "light-push": 1, "rally-topspin": 1}}
    head = {"name": "a-drill", "title": "a drill", "level": "club", "tempo_per_min": 36, "start_delay_s": 5}
    drill = read_drill({**head, "set": [{"balls": 6, "sequence": order}, {"balls": 3, "sequence": order}]}, "a test")
    plan: DrillPlan = plan_drill(drill, ball_types(), machine(), 3)
    hall = WatchedHall().started(plan)
    assert hall.hall.until_state("FEEDING")
    hall.hall.run_until(lambda: len(hall.feeds()) == 2)
    hall.hall.run_for(1.45)

    def blunted() -> bool:
        status = hall.engine.parts.link.status
        assert status is not None and hall.engine.parts.practice.run is not None
        hall.hall.board.top_rpm = min(hall.hall.board.top_rpm, 0.93 * status.top.target_rpm)
        return hall.engine.parts.practice.run.refused == 1

    assert hall.hall.run_until(blunted, 0.6)
    base = hall.engine.parts.practice.plan
    assert base is not None
    assert hall.hall.say(verb, plan=change_plan(base, verb, ball_types(), machine()), base=base).ok
    told = next(e.fields for e in hall.hall.events if e.topic == "change")
    assert hall.hall.until_state("RESTING", max_s=60)
    slots = [e.fields for e in hall.hall.events if e.topic == "ball"]
    assert len({slot["n"] for slot in slots}) == len(slots)
    held = [slot for slot in slots if int(str(slot["n"])) >= int(str(told["n"]))]
    gap_s = float(str(held[1]["planned_leaves_s"])) - float(str(held[0]["planned_leaves_s"]))
    assert gap_s >= 60 / float(str(told["tempo_per_min"])) - 0.01
