"""Intervals of shares, totals of sets and rates of wrong marks, against published and independently computed values."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats

from drillfeed.daemon.learning.intervals import clopper_pearson, jeffreys, wilson
from drillfeed.daemon.learning.marking_errors import (
    JEFFREYS_RATE,
    MarkingErrors,
    corrected_share,
    observed_share,
    variance_factor,
)
from drillfeed.daemon.learning.set_totals import (
    expected_of_part,
    linear_expected_of_part,
    total_distribution,
    total_moments,
)

PRINTED = 5e-5  # half of the last digit of a value printed with four


@pytest.mark.parametrize(
    ("interval", "made", "out_of", "low", "high"),
    [
        # Newcombe 1998, Statistics in Medicine 17:857.
        (wilson, 81, 263, 0.2553, 0.3662),
        (wilson, 15, 148, 0.0624, 0.1605),
        (wilson, 0, 20, 0.0, 0.1611),
        (wilson, 1, 29, 0.0061, 0.1718),
        # scipy 1.17, BinomTestResult.proportion_ci.
        (wilson, 7, 50, 0.0695, 0.2619),
        (wilson, 14, 20, 0.4810, 0.8545),
        (wilson, 20, 20, 0.8389, 1.0),
        (clopper_pearson, 7, 50, 0.0581917, 0.2673960),
        # Quantiles of the beta distribution, scipy 1.17.
        (jeffreys, 7, 50, 0.0649, 0.2553),
        (jeffreys, 14, 20, 0.4828, 0.8639),
        (jeffreys, 0, 20, 0.0, 0.1166),
        (jeffreys, 20, 20, 0.8834, 1.0),
    ],
)
def test_intervals_have_their_reference_values(
    interval: object, made: int, out_of: int, low: float, high: float
) -> None:
    """At 95 %, to half of the last printed digit."""
    found = interval(made, out_of, 0.95)  # type: ignore[operator]
    assert found.low == pytest.approx(low, abs=PRINTED)
    assert found.high == pytest.approx(high, abs=PRINTED)


@given(st.integers(1, 200).flatmap(lambda n: st.tuples(st.integers(0, n), st.just(n))))
def test_wilson_and_clopper_pearson_agree_with_scipy(counts: tuple[int, int]) -> None:
    """Two implementations of the same formulas."""
    made, out_of = counts
    test = stats.binomtest(made, out_of)
    for interval, method in ((wilson, "wilson"), (clopper_pearson, "exact")):
        theirs = test.proportion_ci(0.9, method=method)  # type: ignore[arg-type]
        assert interval(made, out_of, 0.9) == pytest.approx((theirs.low, theirs.high), abs=1e-9)


@given(st.integers(1, 200).flatmap(lambda n: st.tuples(st.integers(0, n), st.just(n))))
def test_intervals_mirror_and_hold_the_share(counts: tuple[int, int]) -> None:
    """Misses counted as made give the mirror image; the observed share lies inside."""
    made, out_of = counts
    for interval in (jeffreys, wilson, clopper_pearson):
        low, high = interval(made, out_of)
        mirrored = interval(out_of - made, out_of)
        assert 0 <= low <= made / out_of <= high <= 1
        assert mirrored == pytest.approx((1 - high, 1 - low), abs=1e-9)


@pytest.mark.parametrize(("made", "out_of", "level"), [(0, 0, 0.9), (3, 2, 0.9), (-1, 2, 0.9), (1, 2, 1.0)])
def test_nothing_marked_has_no_interval(made: int, out_of: int, level: float) -> None:
    """An unknown share is an error to ask for, not an interval from 0 to 1."""
    for interval in (jeffreys, wilson, clopper_pearson):
        with pytest.raises(ValueError, match="expected"):
            interval(made, out_of, level)


def test_small_total_has_the_printed_distribution() -> None:
    """Chances .1, .2, .2: .576 .352 .068 .004, by hand."""
    assert total_distribution([0.1, 0.2, 0.2]) == pytest.approx([0.576, 0.352, 0.068, 0.004], abs=1e-12)


def test_mixed_set_scatters_less_than_a_set_of_the_mean_chance() -> None:
    """Ten balls of .9 and ten of .5 have variance 3.4; twenty of .7 have 4.2."""
    mixed = [0.9] * 10 + [0.5] * 10
    assert total_distribution(mixed)[14] == pytest.approx(0.213805, abs=5e-7)
    assert total_distribution([0.7] * 20)[14] == pytest.approx(0.191639, abs=5e-7)
    assert total_moments(mixed) == pytest.approx((14.0, 3.4), abs=1e-12)
    assert total_moments([0.7] * 20) == pytest.approx((14.0, 4.2), abs=1e-12)


@given(st.lists(st.floats(0, 1), max_size=120))
def test_distribution_has_its_moments(chances: list[float]) -> None:
    """It sums to 1 and has mean and variance of the sum of the balls, up to the longest set."""
    distribution = total_distribution(chances)
    counts = np.arange(len(distribution))
    mean = float(distribution @ counts)
    assert distribution.sum() == pytest.approx(1, abs=1e-12)
    assert (mean, float(distribution @ (counts - mean) ** 2)) == pytest.approx(total_moments(chances), abs=1e-9)


def test_equal_chances_make_a_binomial() -> None:
    """A set of one type, against scipy, to 1e-12."""
    assert total_distribution([0.7] * 120) == pytest.approx(stats.binom.pmf(np.arange(121), 120, 0.7), abs=1e-12)


def test_total_tells_about_the_parts() -> None:
    """12 made of ten .9 and ten .5: of the first ten, 8.4853 are expected by Bayes' rule, 8.4706 by the linear rule."""
    part, rest = [0.9] * 10, [0.5] * 10
    assert expected_of_part(part, rest, 12) == pytest.approx(8.4853, abs=PRINTED)
    assert linear_expected_of_part(part, rest, 12) == pytest.approx(8.4706, abs=PRINTED)
    with pytest.raises(ValueError, match="cannot come"):
        expected_of_part(part, rest, 21)


@pytest.mark.parametrize(
    ("forgotten", "seen"),
    [(0.15, (0.565, 0.648, 0.731, 0.814, 0.897)), (0.30, (0.640, 0.708, 0.776, 0.844, 0.912))],
)
def test_forgotten_misses_flatter_the_weakest_most(forgotten: float, seen: tuple[float, ...]) -> None:
    """Shares .5 to .9 as they are marked, with 2 % wrong misses; the correction leads back."""
    for true, marked in zip((0.5, 0.6, 0.7, 0.8, 0.9), seen, strict=True):
        assert observed_share(true, forgotten, 0.02) == pytest.approx(marked, abs=5e-4)
        assert corrected_share(observed_share(true, forgotten, 0.02), forgotten, 0.02) == pytest.approx(true)


def test_correction_widens_and_may_leave_the_range() -> None:
    """1 / .83 squared is 1.45; a share under the forgotten misses has no corrected share above 0."""
    assert variance_factor(0.15, 0.02) == pytest.approx(1.45, abs=0.005)
    assert corrected_share(0.1, 0.15, 0.02) < 0


def test_double_count_teaches_the_rates() -> None:
    """6 of 40 misses forgotten: from no knowledge .159 (.076 to .260); from the first guess 8 of 60."""
    alone = JEFFREYS_RATE.after(6, 40)
    assert (alone.mean, *alone.interval()) == pytest.approx((0.159, 0.076, 0.260), abs=5e-4)
    learnt = MarkingErrors().counted_again(40, 6, 100, 1)
    assert learnt.forgotten.mean == pytest.approx(8 / 60)
    assert learnt.wrong_misses.mean == pytest.approx(2 / 150)
    assert learnt.forgotten.variance < MarkingErrors().forgotten.variance
    with pytest.raises(ValueError, match="no more than all"):
        MarkingErrors().counted_again(5, 6, 0, 0)
