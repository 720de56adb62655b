"""Intervals hold what they say on drawn seasons; `python -m tests.learning.seasons` draws more, of every truth."""

import pytest

from tests.learning.drawn_seasons import TRUTHS
from tests.learning.seasons import judge


@pytest.mark.parametrize(
    ("truth", "low", "high"),
    [("as assumed", 0.87, 0.94), ("every set mixed", 0.87, 0.94), ("double count", 0.85, 0.94)],
)
def test_intervals_hold_nine_in_ten(truth: str, low: float, high: float) -> None:
    """25 seasons each; the error is at most 0.7 of that of the share over all sets of one type."""
    found = judge(TRUTHS[truth], 25)
    assert low <= found.coverage <= high
    assert found.error <= 0.7 * found.plain_error
    assert abs(found.mean_error) <= 0.015
