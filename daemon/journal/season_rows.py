"""Turns the practice of a player into the rows of the estimate.

Rule of this file: what nobody marked makes no row. A mark on a whole set is a total over all its types. Marks on single
balls make one row for each type. Only misses marked by a press can be forgotten, so only they carry rates of error;
where the same set was counted again by somebody else, the rates learn from it and the last count stands.
"""

from collections.abc import Iterable, Sequence
from datetime import date

from drillfeed.daemon.journal.practice import Part, PracticeSet, WholeMark, week_of
from drillfeed.daemon.learning.marking_errors import MarkingErrors
from drillfeed.daemon.learning.season import USUAL_TEMPO_PER_MIN, Floats, Row, Season, covariates, season

PRESSED = "pedal"
"""The way of marking in which only misses are pressed."""


def first_week(sets: Sequence[PracticeSet], today: date) -> int:
    """Return the number of the first week with a set, or of this week."""
    return min((some.week for some in sets), default=week_of(today))


def season_of(sets: Sequence[PracticeSet], today: date, types: Sequence[str] = ()) -> Season:
    """Return the marks of a player as a season that lasts to today; week 0 is `first_week`."""
    errors = errors_of(sets)
    first = first_week(sets, today)
    weeks = max(week_of(today) - first + 1, 1)
    rows = [row for some in sets for row in rows_of(some, first, errors)]
    return season((row for row in rows if row.week < weeks), types, weeks)


def rows_of(some: PracticeSet, first: int, errors: MarkingErrors) -> list[Row]:
    """Return the rows of one set; none for a warm-up, or if nothing is marked."""
    if some.warm_up or not some.parts:
        return []
    known = {part.ball: _covariates(some, part) for part in some.parts}
    whole = some.whole
    if whole is not None:
        # A count may be of fewer balls than went; which ones nobody knows, so each type takes its share of them.
        counts = {part.ball: part.balls * whole.out_of / some.balls for part in some.parts}
        forgotten, wrong = _rates(whole, errors)
        return [Row(some.week - first, some.id, whole.made, counts, known, forgotten, wrong)]
    return [
        Row(some.week - first, some.id, part.made, {part.ball: part.marked}, {part.ball: known[part.ball]})
        for part in some.parts
        if part.marked
    ]


def errors_of(sets: Iterable[PracticeSet]) -> MarkingErrors:
    """Return the rates of error of pressed marks, learnt from sets that somebody else counted again."""
    errors = MarkingErrors()
    for some in sets:
        pressed = [mark for mark in some.marks if mark.way == PRESSED]
        again = [
            mark for mark in some.marks if mark.way != PRESSED and pressed and mark.marked_by != pressed[-1].marked_by
        ]
        if not again or again[-1].out_of != pressed[-1].out_of:
            continue
        true, told = again[-1], pressed[-1]
        misses, told_misses = true.out_of - true.made, told.out_of - told.made
        errors = errors.counted_again(
            misses, max(misses - told_misses, 0), true.made, min(max(told_misses - misses, 0), true.made)
        )
    return errors


def _rates(mark: WholeMark, errors: MarkingErrors) -> tuple[float, float]:
    return (errors.forgotten.mean, errors.wrong_misses.mean) if mark.way == PRESSED else (0.0, 0.0)


def _covariates(some: PracticeSet, part: Part) -> Floats:
    tempo = USUAL_TEMPO_PER_MIN if some.tempo_per_min is None else some.tempo_per_min
    return covariates(some.random, tempo, part.spin_change_revps, part.balls_so_far)
