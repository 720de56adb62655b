"""Quotas against run limits: what is possible, held against trying every order."""

import itertools
from functools import cache

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from drillfeed.daemon.drills.quota import QuotaSequence, possible
from drillfeed.daemon.library.loading import load_balls

BALLS = load_balls()
NAMES = ("no-spin-steady", "light-topspin", "light-push", "heavy-push")


@cache
def can_be_thrown(left: tuple[int, ...], max_alike: int, last: int | None, alike: int) -> bool:
    """Tell by trying every ball in turn: the definition itself."""
    if not any(left):
        return True
    for ball, n in enumerate(left):
        run = alike + 1 if ball == last else 1
        if n and run <= max_alike:
            rest = tuple(m - (other == ball) for other, m in enumerate(left))
            if can_be_thrown(rest, max_alike, ball, run):
                return True
    return False


def quota(counts: dict[str, int], max_alike: int, first: str = "drawn") -> QuotaSequence:
    return QuotaSequence.model_validate({"kind": "quota", "quota": counts, "max_alike": max_alike, "first": first})


@settings(deadline=None, max_examples=400)
@given(st.lists(st.integers(0, 5), min_size=1, max_size=4), st.integers(1, 4), st.data())
def test_possible_is_exactly_what_trying_every_order_finds(
    counts: list[int], max_alike: int, data: st.DataObject
) -> None:
    """The closed rule says yes where an order exists and no where none does, whatever has gone before."""
    last = data.draw(st.one_of(st.none(), st.integers(0, len(counts) - 1)))
    alike = data.draw(st.integers(1, max_alike)) if last is not None else 0
    left = {NAMES[k]: n for k, n in enumerate(counts) if n}
    expected = can_be_thrown(tuple(counts), max_alike, last, alike)
    assert possible(left, max_alike, None if last is None else NAMES[last], alike) is expected


@settings(deadline=None, max_examples=300)
@given(
    st.dictionaries(st.sampled_from(NAMES), st.integers(1, 8), min_size=1),
    st.integers(1, 4),
    st.sampled_from(["easiest", "drawn"]),
    st.integers(0, 2**32 - 1),
)
def test_a_draw_keeps_quota_run_limit_and_first_ball(
    counts: dict[str, int], max_alike: int, first: str, seed: int
) -> None:
    """Each ball comes exactly as often as its quota says, no run is longer than allowed, the first is the easiest."""
    order = quota(counts, max_alike, first)
    if order.faults(order.balls, BALLS):
        return
    thrown = [item.mention for item in order.draw(BALLS, np.random.default_rng(seed))]
    assert {name: thrown.count(name) for name in counts} == counts
    run = longest = 1
    for before, after in itertools.pairwise(thrown):
        run = run + 1 if after == before else 1
        longest = max(longest, run)
    assert longest <= max_alike
    if first == "easiest":
        assert BALLS[thrown[0]].ease == min(BALLS[name].ease for name in counts)


def test_a_quota_at_its_very_limit_is_drawn_at_once() -> None:
    """Where only one order is left, it is found without a second try: one number of chance a ball."""
    order = quota({"light-push": 60, "light-topspin": 59}, 1)

    class Counting:
        asked = 0

        def random(self, n: int) -> "np.ndarray[tuple[int], np.dtype[np.float64]]":
            Counting.asked += n
            return np.full(n, 0.5)

    thrown = [item.mention for item in order.draw(BALLS, Counting())]  # type: ignore[arg-type]
    assert thrown == ["light-push", "light-topspin"] * 59 + ["light-push"]
    assert Counting.asked == 119


@pytest.mark.parametrize(
    ("counts", "max_alike", "first", "says"),
    [
        (
            {"light-push": 15, "light-topspin": 3},
            2,
            "drawn",
            "15 x light-push among 3 other balls with at most 2 in a row: at most 8 fit; "
            "max_alike = 4 or more makes it possible",
        ),
        (
            {"no-spin-steady": 2, "light-topspin": 3},
            1,
            "easiest",
            "it can't begin with no-spin-steady, the easiest: the others then fit no more with at most 1 in a row; "
            'write first = "drawn", or raise max_alike',
        ),
    ],
)
def test_an_impossible_quota_says_why_and_what_would_do(
    counts: dict[str, int], max_alike: int, first: str, says: str
) -> None:
    """The reason names the ball, the limit and the way out, and the way out works."""
    order = quota(counts, max_alike, first)
    assert order.faults(order.balls, BALLS) == [says]
    assert quota(counts, 4).faults(order.balls, BALLS) == []


def test_a_set_longer_than_its_quota_is_refused() -> None:
    """A quota is thrown once: there is no ball after its last."""
    assert "the quotas make 5" in quota({"light-push": 5}, 5).faults(6, BALLS)[0]
