"""A million balls: as much work for each ball as for the first, and no memory but for the order itself.

Work is counted, not timed: calls of Python functions, and numbers of chance. Memory is what tracemalloc saw at most.
"""

import sys
import tracemalloc
from collections import deque
from collections.abc import Callable, Iterator
from itertools import islice
from types import FrameType
from typing import Any

import numpy as np
import pytest
from pydantic import TypeAdapter

from drillfeed.daemon.drills.drill import with_balls
from drillfeed.daemon.drills.sequences import Sequence
from drillfeed.daemon.library.loading import load_balls, load_drill, load_machine
from drillfeed.daemon.planning.plan import plan_sets

BALLS = load_balls()
READ: TypeAdapter[Any] = TypeAdapter(Sequence)
MILLION = 1_000_000
FORMS: dict[str, dict[str, Any]] = {
    "fixed": {"kind": "fixed", "balls": ["light-topspin", "light-push"]},
    "rotating": {"kind": "rotating", "balls": ["light-topspin", "light-push", "heavy-push"]},
    "random": {
        "kind": "random",
        "weights": {"light-topspin": 1, "light-push": 2, "heavy-push": 1},
        "max_alike": 2,
        "after": {"light-push": {"heavy-push": 0.7}},
    },
    "scenario": {"kind": "scenario", "parts": ["light-topspin", {"one_of": [["light-push"], ["heavy-push"]]}]},
}


def draw(name: str) -> Iterator[Any]:
    order = READ.validate_python(FORMS[name])
    return order.draw(BALLS, np.random.default_rng(1))


def spend(balls: Iterator[Any]) -> None:
    deque(balls, maxlen=0)


def calls_of(work: Callable[[], None]) -> int:
    """Return how many Python functions, and steps of generators, `work` called."""
    calls = 0

    def count(frame: FrameType, event: str, arg: object) -> None:
        nonlocal calls
        calls += event == "call"

    sys.setprofile(count)
    try:
        work()
    finally:
        sys.setprofile(None)
    return calls


def peak_bytes(work: Callable[[], None]) -> int:
    tracemalloc.start()
    try:
        work()
        return tracemalloc.get_traced_memory()[1]
    finally:
        tracemalloc.stop()


@pytest.mark.parametrize("name", FORMS)
def test_a_million_balls_take_a_hundred_times_the_work_of_ten_thousand(name: str) -> None:
    """The calls grow with the balls and with nothing else: a hundred times the balls, a hundred times the calls."""
    few, many = (calls_of(lambda n=n: spend(islice(draw(name), n))) for n in (MILLION // 100, MILLION))  # type: ignore[misc]
    assert MILLION <= many <= 101 * few


@pytest.mark.parametrize("name", FORMS)
def test_memory_stays_flat_however_many_balls(name: str) -> None:
    """At no moment does a long draw hold more than a short one, but for a few hundred bytes of numbers."""
    few, many = (peak_bytes(lambda n=n: spend(islice(draw(name), n))) for n in (1000, 100_000))  # type: ignore[misc]
    assert many < few + 20_000


def test_a_quota_takes_one_number_of_chance_a_ball() -> None:
    """Never try and discard: the largest quota takes as many numbers as it has balls, and looks at each type once."""
    order = READ.validate_python(
        {"kind": "quota", "quota": {"light-push": 40, "heavy-push": 40, "flat-block": 40}, "max_alike": 1}
    )
    calls = calls_of(lambda: spend(order.draw(BALLS, np.random.default_rng(1))))
    assert calls <= 120 * 40


def test_a_long_rehearsal_holds_one_set_at_a_time() -> None:
    """Planning ten times the sets takes no more memory than their list; the sets themselves are let go."""
    drill, machine = load_drill("mixed-spin"), load_machine("club-build")

    def plan(balls: int) -> Callable[[], None]:
        long = with_balls(drill, balls)
        return lambda: spend(plan_sets(long, BALLS, machine, 1))

    plan(40)()
    few, many = peak_bytes(plan(400)), peak_bytes(plan(4000))
    assert many < few + 100_000
