"""The estimate by week: worked examples, what no mark changes, and what must hold for any marks."""

from dataclasses import replace
from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.special import expit
from scipy.stats import binom, norm

from drillfeed.daemon.learning import week_update
from drillfeed.daemon.learning.model import HOUSE, House, estimates, follow, levels
from drillfeed.daemon.learning.season import Row, Season, covariates, season
from drillfeed.daemon.learning.trend import draw_courses, draw_last_states, marked_balls, trend
from tests.learning.drawn_seasons import AS_ASSUMED, draw

PLAIN = covariates(0, 30)
ONE_VALUE = House(drifts=(0.15,), forms=(0.0,))
LONE = replace(ONE_VALUE, type_sd=1e-6)
"""One type whose level is N(0.8, 1)."""


def mark(week: int, number: int, made: int, **balls: int) -> Row:
    return Row(week, number, made, balls, dict.fromkeys(balls, PLAIN))


@pytest.mark.parametrize(
    ("form", "level", "spread"), [(0.0, 0.83822, 0.4379), (0.3, 0.83562, 0.4964)], ids=["coins", "form 0.3"]
)
def test_one_set_has_its_worked_value(form: float, level: float, spread: float) -> None:
    """14 of 20 with N(0.8, 1) before: mode and curvature, computed on a grid."""
    (found,) = estimates(follow(season([mark(0, 1, 14, a=20)]), replace(LONE, forms=(form,))).last, ["a"])
    assert (found.level, found.level_sd) == pytest.approx((level, spread), abs=1e-3)


def test_one_set_is_near_the_exact_posterior() -> None:
    """The mean of the exact posterior, summed over a grid, differs by less than .01 as a share."""
    grid = np.linspace(-6, 8, 20001)
    weights = norm.pdf(grid, 0.8, 1) * binom.pmf(14, 20, expit(grid))
    exact = float((weights * grid).sum() / weights.sum())
    assert exact == pytest.approx(0.8691, abs=1e-4)
    (found,) = estimates(follow(season([mark(0, 1, 14, a=20)]), LONE).last, ["a"])
    assert found.share == pytest.approx(float(expit(exact)), abs=0.01)


MIXED_THEN_ALONE = season([mark(0, 1, 12, a=10, b=10), mark(0, 2, 18, a=20)])


def test_mixed_set_and_a_set_of_one_type_come_apart() -> None:
    """A and B 12 of 10 + 10, then A 18 of 20: our values, and those of the exact posterior on a grid of 451 x 451."""
    of_a, of_b = estimates(follow(MIXED_THEN_ALONE, ONE_VALUE).last, "ab")
    assert (of_a.level, of_b.level) == pytest.approx((1.498, 0.181), abs=1e-3)
    assert (of_a.share, of_b.share) == pytest.approx((0.817, 0.545), abs=1e-3)
    grid = np.linspace(-5, 7, 451)
    share = expit(grid)
    a, b = np.meshgrid(grid, grid, indexing="ij")
    inverse = np.linalg.inv(np.array([[1.64, 1.0], [1.0, 1.64]]))
    before = np.exp(
        -0.5 * (inverse[0, 0] * ((a - 0.8) ** 2 + (b - 0.8) ** 2) + 2 * inverse[0, 1] * (a - 0.8) * (b - 0.8))
    )
    made = np.arange(2, 11)
    total = binom.pmf(made[:, None], 10, share).T @ binom.pmf(12 - made[:, None], 10, share)
    weights = before * total * binom.pmf(18, 20, share)[:, None]
    exact = [float((weights * expit(level)).sum() / weights.sum()) for level in (a, b)]
    assert exact == pytest.approx([0.8154, 0.5472], abs=1e-4)
    assert (of_a.share, of_b.share) == pytest.approx(exact, abs=0.01)


def test_four_rounds_are_enough(monkeypatch: pytest.MonkeyPatch) -> None:
    """The fourth round still moves the third digit of the worked example; the next eight together move it by 1.2e-4."""

    def of_b(rounds: int) -> float:
        monkeypatch.setattr(week_update, "ROUNDS", rounds)
        return estimates(follow(MIXED_THEN_ALONE, ONE_VALUE).last, "ab")[1].level

    assert week_update.ROUNDS == 4
    assert of_b(3) - of_b(4) > 1e-3
    assert of_b(4) - of_b(12) < 1.5e-4
    assert of_b(11) - of_b(12) < 1e-9


def test_without_a_mark_the_estimate_stays_and_grows_wider() -> None:
    """Each week adds the variance of the drift, and nothing else: sqrt(sd^2 + q^2 weeks), to 1e-9."""
    marked = [mark(0, 1, 14, a=20)]
    (now,) = estimates(follow(season(marked), ONE_VALUE).last, ["a"])
    for weeks in (1, 4, 30):
        (later,) = estimates(follow(season(marked, weeks=1 + weeks), ONE_VALUE).last, ["a"])
        assert later.level == now.level
        assert later.level_sd == pytest.approx(np.sqrt(now.level_sd**2 + 0.15**2 * weeks), abs=1e-9)


def test_nothing_marked_is_the_beginning() -> None:
    """A player without a mark has the house's first guess, wide, and no trend."""
    course = follow(season([], ["a", "b"], weeks=5))
    for found in estimates(course.last, "ab"):
        assert (found.level, found.level_sd) == pytest.approx((0.8, np.sqrt(1.64)))
        assert found.outer.low < 0.25 and found.outer.high > 0.94
    assert np.isnan(trend(course).share).all()
    assert not marked_balls(course).any()
    assert follow(season([])).last.mean.shape == (4, 4)


def test_type_moves_only_once_it_was_marked() -> None:
    """A type that is first thrown in week 30 is not less known than it would have been in week 0."""
    early = follow(season([mark(0, 1, 14, a=20)]), LONE)
    late = follow(season([mark(30, 1, 14, a=20)]), LONE)
    assert estimates(late.last, ["a"]) == estimates(early.last, ["a"])


def test_marks_on_single_balls_tell_more_than_their_total() -> None:
    """8 of 10 and 4 of 10, ball by ball, set the types apart; 12 of 20 doesn't."""
    singles = [Row(0, 1, int(made), {ball: 1}, {ball: PLAIN}) for ball, count in (("a", 8), ("b", 4))
               for made in np.arange(10) < count]  # fmt: skip
    of_a, of_b = estimates(follow(season(singles)).last, "ab")
    alike_a, alike_b = estimates(follow(season([mark(0, 1, 12, a=10, b=10)])).last, "ab")
    assert alike_a.level == pytest.approx(alike_b.level)
    assert of_a.level - of_b.level > 1
    assert of_a.level_sd < alike_a.level_sd


def test_ball_by_ball_and_total_agree_for_one_type() -> None:
    """The form of the set is common to its balls, so twenty rows tell as much as their total."""
    house = House(drifts=(0.15,), forms=(0.5,))
    singles = [Row(0, 1, int(number < 14), {"a": 1}, {"a": PLAIN}) for number in range(20)]
    by_balls, by_total = (
        estimates(follow(season(rows), house).last, ["a"])[0] for rows in (singles, [mark(0, 1, 14, a=20)])
    )
    assert (by_balls.level, by_balls.level_sd) == pytest.approx((by_total.level, by_total.level_sd), abs=1e-9)


def test_one_row_a_set_and_several_use_one_formula() -> None:
    """The short cut for sets with one row gives what the general formula gives."""
    rows = draw(AS_ASSUMED, 3).season.of_week(5)
    state = np.full((1, len(rows.types) + 4), 0.4)
    quick = week_update._linear(rows, state, state * 0.1, np.array([0.3]))
    design, residual, variance = (np.random.default_rng(1).random(shape) + 0.1 for shape in ((1, 9, 3), (1, 9), (1, 9)))
    of_form = design.sum(axis=2)
    general = week_update._several_rows_a_set(design, residual, variance, of_form, np.array([[0.09]]), np.arange(9))
    short = week_update._one_row_a_set(design, residual, variance + 0.09 * of_form**2)
    for name in ("information", "pull", "surprise", "log_variance"):
        assert getattr(general, name) == pytest.approx(getattr(short, name), rel=1e-12)
    assert np.isfinite(quick.pull).all()


def test_wrong_marks_that_are_told_move_the_estimate_down() -> None:
    """16 of 20 marked by somebody who forgets 15 % of the misses is nearer to 15 of 20."""
    told = replace(mark(0, 1, 16, a=20), forgotten=0.15, wrong_misses=0.02)
    (plain,) = estimates(follow(season([mark(0, 1, 16, a=20)]), LONE).last, ["a"])
    (folded,) = estimates(follow(season([told]), LONE).last, ["a"])
    assert folded.level < plain.level
    assert folded.level_sd > plain.level_sd


def test_tempo_and_sequence_are_told_apart_from_the_type() -> None:
    """Sets that are made less often when they are quick and random: both effects come out below 0."""
    rows = []
    for number in range(40):
        random, quick = number // 2 % 2, number % 2
        made = 17 - 3 * random - 4 * quick
        rows.append(Row(number // 4, number, made, {"a": 20}, {"a": covariates(random, 30 + 15 * quick)}))
    last = follow(season(rows)).last
    effects = last.weights @ last.mean[:, 1:]
    assert effects[0] < -0.3 and effects[1] < -0.3
    at = np.array([covariates(1, 45)])
    (hard,), (easy,) = estimates(last, ["a"], at), estimates(last, ["a"])
    assert hard.share == pytest.approx(10 / 20, abs=0.06) and easy.share == pytest.approx(17 / 20, abs=0.06)


def test_late_effects_wait_for_sixty_sets() -> None:
    """With fewer sets the change of spin and the balls so far sit on what was known before."""
    rows = [Row(0, number, 12, {"a": 20}, {"a": covariates(0, 30, 40, 100)}) for number in range(60)]
    few, many = (follow(season(some)).last for some in (rows[:59], rows))
    assert few.mean[:, 3:] == pytest.approx(0)
    assert few.covariance[:, [3, 4], [3, 4]] == pytest.approx(HOUSE.effect_sd**2)
    assert (many.covariance[:, [3, 4], [3, 4]] < HOUSE.effect_sd**2).all()


def test_one_more_set_is_the_season_with_it() -> None:
    """The state kept at the last week's beginning and the rows of the week give what the whole season gives."""
    whole = draw(AS_ASSUMED, 4).season
    course = follow(whole)
    newer = course.with_week(course.season.of_week(whole.weeks - 1))
    assert newer.mean == pytest.approx(course.last.mean, abs=1e-12)
    assert newer.log_weights == pytest.approx(course.last.log_weights, abs=1e-9)


def test_trend_ends_where_the_estimate_stands() -> None:
    """In the last week nothing is smoothed; before, the band is narrower than what was known then."""
    course = follow(draw(AS_ASSUMED, 5).season)
    usual = course.season.usual()
    bands = trend(course)
    for place, found in enumerate(estimates(course.last, course.season.types, usual)):
        last = (bands.share[-1, place], bands.low_90[-1, place], bands.high_50[-1, place])
        assert last == pytest.approx((found.share, found.outer.low, found.inner.high), abs=1e-9)
    fifth = course.after[5]
    _, known_then = levels(fifth.mean, fifth.covariance, course.last.weights, usual)
    narrower = np.log(bands.high_90[5] / (1 - bands.high_90[5])) - np.log(bands.low_90[5] / (1 - bands.low_90[5]))
    assert (narrower / (2 * 1.6449) < known_then).all()


def test_draws_have_the_bands_of_the_trend() -> None:
    """4,000 drawn courses: mean within .01 and ends within .02, three times what 4,000 draws scatter."""
    course = follow(draw(AS_ASSUMED, 6).season)
    drawn = draw_courses(course, np.random.default_rng(1), 4000)
    bands = trend(course)
    assert np.abs(np.median(drawn, axis=0) - bands.share).max() < 0.01
    assert np.abs(np.quantile(drawn, 0.05, axis=0) - bands.low_90).max() < 0.02
    assert draw_courses(course, np.random.default_rng(1), 50) == pytest.approx(
        draw_courses(course, np.random.default_rng(1), 50)
    )
    last = draw_last_states(course, np.random.default_rng(2), 4000)
    assert last.mean(axis=0) == pytest.approx(course.last.weights @ course.last.mean, abs=0.02)


def marks() -> st.SearchStrategy[Season]:
    """Any marks of up to three types in up to six weeks."""
    balls = st.dictionaries(st.sampled_from("abc"), st.integers(1, 40), min_size=1)
    one = st.tuples(st.integers(0, 5), balls, st.floats(0, 1), st.floats(0, 0.3), st.floats(10, 90))
    return st.lists(one, max_size=12).map(
        lambda some: season(
            [
                Row(
                    week,
                    number,
                    round(share * sum(counts.values())),
                    counts,
                    dict.fromkeys(counts, covariates(number % 2, tempo)),
                    wrong,
                    wrong / 5,
                )
                for number, (week, counts, share, wrong, tempo) in enumerate(some)
            ],
            "abc",
        )
    )


@settings(max_examples=40, deadline=None)
@given(marks())
def test_any_marks_give_finite_nested_intervals(some: Season) -> None:
    """All made, none made, wrong marks: shares lie in their intervals, 50 % within 90 %, and weights sum to 1."""
    last = follow(some).last
    assert last.weights.sum() == pytest.approx(1)
    for found in estimates(last, "abc"):
        ends = [found.outer.low, found.inner.low, found.share, found.inner.high, found.outer.high]
        assert all(low <= high for low, high in pairwise(ends)) and np.isfinite(ends).all()
        assert 0 < found.level_sd < 2.5


@pytest.mark.parametrize("rows", [[mark(-1, 1, 1, a=1)], [mark(0, 1, 2, a=1)], [mark(0, 1, -1, a=1)]])
def test_impossible_marks_are_refused(rows: list[Row]) -> None:
    """More made than thrown, or a week before the first, is a mistake of the caller."""
    with pytest.raises(ValueError, match="made of"):
        season(rows)
