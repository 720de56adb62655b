"""Every drill that is shipped is planned and thrown on the machine it is for, on the virtual clock."""

import pytest

from drillfeed.daemon.drills.drill import with_balls
from drillfeed.daemon.library.loading import known, load_drill
from drillfeed.daemon.planning.plan import plan_drill
from tests.support.halls import WatchedHall, ball_types, machine

WITH_PAN = (
    "steady-forehand",
    "steady-backhand",
    "one-each-side",
    "two-and-two",
    "step-round",
    "middle-then-a-wing",
    "whole-table",
)
WITH_ROLL = ("against-the-bend",)
WITHOUT_PAN = (
    "steady-drives",
    "topspin-and-push",
    "two-topspin-two-push",
    "topspin-then-you-see",
    "lift-the-push",
    "short-then-long",
    "against-the-block",
    "small-surprises",
    "mixed-spin",
    "attack-the-chop",
    "block-the-loop",
    "receive-the-serve",
    "short-game",
    "smash-the-lob",
)
SLOW_WHEELS = (
    "gentle-warm-up",
    "gentle-two-and-two",
    "gentle-lift",
    "gentle-then-you-see",
    "gentle-surprises",
    "mixed-spin-gentle",
)
SIMPLEST = (
    "closing-minute",
    "easy-unknown",
    "lift-the-soft-push",
    "live-or-dead",
    "near-and-deep",
    "near-the-net",
    "off-beat",
    "pushed-back",
    "quicker-and-quicker",
    "smash-the-half-lob",
    "wait-for-the-bounce",
)
MEANT_FOR = {
    **dict.fromkeys(WITH_PAN, "hall-pan"),
    **dict.fromkeys(WITH_ROLL, "hall-roll"),
    **dict.fromkeys(WITHOUT_PAN, "club-build"),
    **dict.fromkeys(SLOW_WHEELS, "kit-build"),
    **dict.fromkeys(SIMPLEST, "shed-build"),
}


def test_each_shipped_drill_is_meant_for_one_machine() -> None:
    """No drill is shipped that nobody runs."""
    assert set(MEANT_FOR) == set(known("drills"))


@pytest.mark.parametrize("name", MEANT_FOR)
def test_a_shipped_drill_is_thrown_on_its_machine(name: str) -> None:
    """Its first seven balls are fed in their order and leave within the feeder's spread; nothing is skipped."""
    on = machine(MEANT_FOR[name])
    plan = plan_drill(with_balls(load_drill(name), 7), ball_types(), on, seed=2)
    hall = WatchedHall(on).started(plan)
    assert hall.hall.until_state("ARMED", max_s=120.0)
    told = [event.fields for event in hall.hall.events if event.topic == "ball"]
    assert [ball["outcome"] for ball in told] == ["fed"] * 7
    assert [ball["ball"] for ball in told] == [ball.ball for planned_set in plan.sets for ball in planned_set.balls]
    left = [event for event in hall.log if event["event"] == "leaves"]
    missed = [ball["landing"]["reason"] for ball in left if not ball["landing"]["valid"]]
    assert len(left) == 7 and len(missed) <= 1, missed
    hall.sound()


@pytest.mark.parametrize("name", MEANT_FOR)
def test_the_whole_of_a_shipped_drill_fits_its_machine(name: str) -> None:
    """Every set and every ball is planned at the tempo that its level usually runs at."""
    plan = plan_drill(load_drill(name), ball_types(), machine(MEANT_FOR[name]), seed=2)
    timed = any(part.lasts_s for part in plan.drill.set)
    assert plan.balls < plan.drill.balls if timed else plan.balls == plan.drill.balls
    assert all(20 <= 60 / planned_set.interval_s <= 75 for planned_set in plan.sets)
