"""Plans for drawn requests: `python -m tests.learning.sessions --cases 3000`.

Each plan is held against its bounds as it is drawn, so a plan that breaks one ends the run with the case.
"""

import argparse
import time
from dataclasses import dataclass

import numpy as np

from drillfeed.daemon.learning.model import Estimate
from drillfeed.daemon.learning.planner import CheckSet, Pace, PlannedSet, TooShort, Wanted, plan_session, set_s
from drillfeed.daemon.learning.scores import Standing

COUNTDOWN_S = 10.0
AGAIN_EACH = 50


@dataclass(frozen=True)
class Figures:
    """Cases that had a plan; those not bound by balls; of these, those within 5 % of the minutes; the slowest plan."""

    planned: int
    unbound: int
    near: int
    slowest_ms: float


def drawn_case(rng: np.random.Generator) -> tuple[Wanted, tuple[Standing, ...], dict[str, float]]:
    """Return any request within reason, any standings, and how far each type stretches the interval."""
    count = int(rng.integers(2, 12))
    standings = tuple(
        Standing(
            Estimate(f"ball-{place}", rng.normal(0.8, 1.2), rng.uniform(0.1, 1.2)),
            int(rng.integers(0, 500)),
            None if rng.random() < 0.1 else float(rng.integers(0, 90)),
            0.7,
            tempo_per_min=None if rng.random() < 0.2 else rng.uniform(20, 60),
            gentler=f"ball-{place - 1}" if place and rng.random() < 0.5 else None,
            ease=place,
        )
        for place in range(count)
    )
    check = CheckSet(tuple(f"ball-{n % count}" for n in range(20)), rng.uniform(25, 50), (), rng.random() < 0.5)
    cap = int(rng.choice([20, 40, 60]))
    wanted = Wanted(
        float(rng.integers(6, 91)),
        tuple(
            (name, int(rng.integers(30, 1200))) for name in ("the balls you gave", "the hopper", "the day's warning")
        ),
        cap,
        f"level with {cap}",
        float(rng.choice([35, 55, 75])),
        bool(rng.random() < 0.3),
        rng.uniform(20, 90),
        check if rng.random() < 0.7 else None,
    )
    return wanted, standings, {one.ball: rng.uniform(1.0, 1.5) for one in standings}


def judge(cases: int, seed: int = 1) -> Figures:
    """Plan drawn requests and check each plan against what it must keep."""
    rng = np.random.default_rng(seed)
    planned = unbound = near = 0
    slowest_s = 0.0
    for case in range(cases):
        wanted, standings, stretch = drawn_case(rng)

        def pace(part: PlannedSet, stretch: dict[str, float] = stretch) -> Pace:
            return Pace(60 / part.tempo_per_min * max(stretch[ball] for ball in part.types), COUNTDOWN_S)

        began = time.process_time()
        try:
            plan = plan_session(wanted, standings, pace)
        except TooShort:
            assert wanted.budget[1] < 40 or wanted.minutes < 8
            continue
        slowest_s = max(slowest_s, time.process_time() - began)
        planned += 1
        total_s = sum(set_s(part, pace(part)) for part in plan.sets)
        assert abs(plan.total_s - total_s) < 0.05, case
        assert plan.balls <= wanted.budget[1] and total_s <= 60 * wanted.minutes + 1e-6, case
        assert max(part.balls for part in plan.sets) <= wanted.max_set_balls, case
        assert max(part.tempo_per_min for part in plan.sets) <= wanted.max_per_min, case
        assert plan.sets[0].tempo_per_min <= min(part.tempo_per_min for part in plan.sets), case
        is_near = total_s >= 0.95 * 60 * wanted.minutes
        assert is_near or plan.stopped_by, case
        unbound += plan.balls < wanted.budget[1]
        near += is_near and plan.balls < wanted.budget[1]
        if case % AGAIN_EACH == 0:
            assert plan == plan_session(wanted, standings, pace), case
    return Figures(planned, unbound, near, 1000 * slowest_s)


def main() -> None:
    """Print the figures."""
    parser = argparse.ArgumentParser(description="plans for drawn requests")
    parser.add_argument("--cases", type=int, default=3000)
    found = judge(parser.parse_args().cases)
    print(f"{found.planned} planned, {found.planned - found.unbound} bound by balls and said so; of the other")
    share = found.near / found.unbound
    print(f"{found.unbound}, {share:.1%} within 5 % of the minutes; slowest plan {found.slowest_ms:.1f} ms")


if __name__ == "__main__":
    main()
