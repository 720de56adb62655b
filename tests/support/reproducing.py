"""The balls that a run threw, worked out again from its plan and from the changes that were told."""

from collections.abc import Sequence
from dataclasses import dataclass

from drillfeed.daemon.planning.plan import DrillPlan, PlannedBall


@dataclass(frozen=True)
class InForce:
    """A change as it came into force: in which set (from 1), after how many of its balls, and the plan since then."""

    set: int
    after_balls: int
    plan: DrillPlan


def reproduce(first: DrillPlan, told: Sequence[InForce]) -> tuple[tuple[PlannedBall, ...], ...]:
    """Return the balls of each set as they were dealt: the loaded plan, and each change where it came into force."""
    sets = [part.balls for part in first.sets]
    for change in told:
        here = change.set - 1
        sets[here] = sets[here][: change.after_balls] + change.plan.sets[here].balls[change.after_balls :]
        sets[here + 1 :] = [later.balls for later in change.plan.sets[here + 1 :]]
    return tuple(sets)


def swaps_in(text: str) -> tuple[tuple[str, str], ...]:
    """Return the swaps that a notice tells as `old -> new, ...`."""
    pairs = (swap.partition(" -> ") for swap in text.split(", ") if swap)
    return tuple((old, new) for old, _, new in pairs)
