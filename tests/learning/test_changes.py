"""When a report calls a change clear, and when it can't tell."""

import numpy as np
import pytest

from drillfeed.daemon.learning.changes import FORM_FACTOR, MAX_SHOWN, Change, balls_to_see, changes, shown
from tests.learning.clear_changes import FIFTEEN_POINTS, NOTHING_CHANGED, clear_share


def courses(*rises: float, weeks: int = 10, scatter: float = 0.01) -> np.ndarray:
    """Return 400 drawn courses of types that rise by so much from the first to the last week."""
    rng = np.random.default_rng(1)
    middle = 0.5 + np.linspace(0, 1, weeks)[:, None] * np.array(rises)
    return middle + rng.normal(0, scatter, (400, weeks, len(rises)))


def test_change_is_clear_if_it_is_sure_and_large() -> None:
    """Three weeks against three, seven weeks apart; a sure change of 3 points is none."""
    found = changes("abcd", courses(0.2, -0.2, 0.04, 0.0), np.full((10, 4), 40.0), 7)
    assert [change.word for change in found] == ["clearly up", "clearly down", "can't tell yet", "can't tell yet"]
    assert found[0].points == pytest.approx(0.2 * 7 / 9, abs=0.005)
    assert found[0].balls == (120, 120)


def test_unsure_change_is_not_clear() -> None:
    """Large as it may be, if more than 5 % of the draws lie on the other side."""
    (found,) = changes("a", courses(0.2, scatter=0.4), np.full((10, 1), 40.0), 7)
    assert found.word == "can't tell yet" and found.sure is not None and found.sure < 0.95


@pytest.mark.parametrize("empty", [slice(0, 3), slice(7, 10)])
def test_window_without_a_mark_tells_nothing(empty: slice) -> None:
    """Not 0 points: nothing."""
    balls = np.full((10, 1), 40.0)
    balls[empty] = 0
    (found,) = changes("a", courses(0.3), balls, 7)
    assert (found.word, found.points) == ("can't tell yet", None)


def test_too_short_a_season_tells_nothing() -> None:
    """Two weeks have no window four weeks ago; windows that overlap are a mistake."""
    (found,) = changes("a", courses(0.3, weeks=2), np.full((2, 1), 40.0), 4)
    assert found.word == "can't tell yet"
    with pytest.raises(ValueError, match="overlap"):
        changes("a", courses(0.3), np.full((10, 1), 40.0), 2)


def test_at_most_three_are_shown() -> None:
    """The largest ones; how many are withheld is told."""
    many = [
        Change(name, "clearly up", points, 1.0, (9, 9)) for name, points in zip("abcde", (1, 5, 3, 4, 2), strict=True)
    ]
    told, hidden = shown(many)
    assert [change.ball for change in told if change.word == "clearly up"] == ["b", "c", "d"]
    assert hidden == len(many) - MAX_SHOWN


@pytest.mark.parametrize(
    ("points", "balls", "with_form"), [(20, 57, 79), (15, 109, 150), (10, 259, 357), (5, 1084, 1498)]
)
def test_small_changes_take_many_balls(points: int, balls: int, with_form: int) -> None:
    """From 65 %, one-sided 5 %, power 80 %, each side; a set's form raises it by 1.38."""
    assert balls_to_see(0.65, 0.65 + points / 100) == balls
    assert balls * FORM_FACTOR == pytest.approx(with_form, abs=0.5 + 0.002 * balls)


def test_false_alarms_are_rare_and_a_large_gain_is_found() -> None:
    """25 reports each; `python -m tests.learning.clear_changes` makes 1,000."""
    assert sum(clear_share(NOTHING_CHANGED, 25)) <= 0.05
    up, down = clear_share(FIFTEEN_POINTS, 25)
    assert up >= 0.5 and down <= 0.01
