"""From the sets of a journal to the rows of the estimate: which mark stands, and what nobody marked."""

import pytest

from drillfeed.daemon.journal.practice import Part, PracticeSet, WholeMark
from drillfeed.daemon.journal.season_rows import errors_of, rows_of
from drillfeed.daemon.learning.marking_errors import MarkingErrors


def a_set(*marks: WholeMark, marked: int = 0, warm_up: bool = False, kind: str | None = "random") -> PracticeSet:
    """Ten light pushes, ten flat blocks; `marked` of each marked ball by ball, half of them made."""
    parts = tuple(Part(ball, 10, marked // 2, marked, 28.0, 5.0) for ball in ("light-push", "flat-block"))
    return PracticeSet(1, 1, "evening", "", "club", 86400.0, 40.0, kind, 0, warm_up, False, None, 20, parts, marks)


def mark(made: int, by: str = "player", way: str | None = None, out_of: int = 20) -> WholeMark:
    return WholeMark(made, out_of, by, way, 0.0)


def test_last_whole_mark_stands_over_marks_on_balls() -> None:
    """One row for the set, with the last count."""
    (row,) = rows_of(a_set(mark(12), mark(14), marked=4), 0, MarkingErrors())
    assert (row.made, dict(row.balls), row.forgotten) == (14, {"light-push": 10, "flat-block": 10}, 0.0)
    assert row.covariates["light-push"][0] == 1 and row.covariates["light-push"][1] == 1.0


def test_count_of_fewer_balls_shares_them_evenly() -> None:
    """8 of 10 of a set of 20: five of each type."""
    (row,) = rows_of(a_set(mark(8, out_of=10)), 0, MarkingErrors())
    assert dict(row.balls) == {"light-push": 5, "flat-block": 5}


def test_marks_on_balls_make_a_row_a_type() -> None:
    """What is not marked is missing."""
    rows = rows_of(a_set(marked=4), 0, MarkingErrors())
    assert [(row.made, dict(row.balls)) for row in rows] == [(2, {"light-push": 4}), (2, {"flat-block": 4})]


@pytest.mark.parametrize("some", [a_set(), a_set(mark(14), warm_up=True)], ids=["unmarked", "warm-up"])
def test_some_sets_make_no_row(some: PracticeSet) -> None:
    """Unmarked is never missed; a warm-up tells nothing."""
    assert rows_of(some, 0, MarkingErrors()) == []


def test_pressed_marks_carry_rates_that_a_double_count_teaches() -> None:
    """A coach counts 6 misses where 4 were pressed: 2 of 6 forgotten, none of 14 wrong; the coach's count stands."""
    doubled = a_set(mark(16, way="pedal"), mark(14, by="coach", way="count"))
    errors = errors_of([doubled])
    assert errors == MarkingErrors().counted_again(6, 2, 14, 0)
    (pressed,) = rows_of(a_set(mark(16, way="pedal")), 0, errors)
    assert (pressed.forgotten, pressed.wrong_misses) == (errors.forgotten.mean, errors.wrong_misses.mean)
    (counted,) = rows_of(doubled, 0, errors)
    assert (counted.made, counted.forgotten) == (14, 0.0)
    assert errors_of([a_set(mark(16, way="pedal"), mark(15, way="pedal"))]) == MarkingErrors()


def test_order_that_the_journal_does_not_know_counts_half() -> None:
    """An older set of two types may have been random or not."""
    assert (a_set(kind=None).random, a_set(kind="fixed").random, a_set(kind="quota").random) == (0.5, 0.0, 1.0)
