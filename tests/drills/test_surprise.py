"""Shares and unknown bits of a set agree with closed forms."""

from math import comb, log2

import pytest

from drillfeed.daemon.drills.quota import QuotaSequence
from drillfeed.daemon.drills.surprise import surprise
from drillfeed.daemon.drills.weighted import RandomSequence


@pytest.mark.parametrize("kinds", [1, 2, 3, 8])
def test_even_weights_hide_the_logarithm_of_their_number(kinds: int) -> None:
    weights = {f"ball-{n}": 1.0 for n in range(kinds)}
    found = surprise(RandomSequence(kind="random", weights=weights, first="drawn"), 40, {})
    assert found is not None and found.exact
    assert found.bits == pytest.approx(log2(kinds))
    assert found.guessed == pytest.approx(1 / kinds)
    assert list(found.shares.values()) == pytest.approx([1 / kinds] * kinds)


def test_two_balls_that_must_alternate_hide_only_the_first() -> None:
    sequence = RandomSequence(kind="random", weights={"a": 3.0, "b": 1.0}, max_alike=1, first="drawn")
    found = surprise(sequence, 20, {})
    assert found is not None
    assert found.bits == pytest.approx((0.75 * log2(4 / 3) + 0.25 * log2(4)) / 20)
    assert found.shares == pytest.approx({"a": 0.5, "b": 0.5})
    assert found.forced == pytest.approx(19 / 20)


def test_a_free_quota_hides_the_logarithm_of_its_orders() -> None:
    found = surprise(QuotaSequence(kind="quota", quota={"a": 10, "b": 10}, first="drawn"), 20, {})
    assert found is not None and not found.exact
    assert found.bits == pytest.approx(log2(comb(20, 10)) / 20, abs=0.01)
    assert found.shares == {"a": 0.5, "b": 0.5}
