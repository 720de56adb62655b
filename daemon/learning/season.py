"""Marked practice as arrays: one row a mark, with the balls that the mark is of.

Rule of this file: only what was marked has a row. A set that nobody marked is missing, never missed. The rows of one
set stand together, in the order of the weeks.
"""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

COVARIATES = ("random", "tempo", "spin_change", "tired")
"""What makes a ball harder besides its type: see `Row.covariates`."""
RANDOM, TEMPO, SPIN_CHANGE, TIRED = range(len(COVARIATES))
USUAL_TEMPO_PER_MIN = 30.0
TEMPO_UNIT_PER_MIN = 10.0
SPIN_CHANGE_UNIT_REVPS = 40.0
TIRED_UNIT_BALLS = 100.0
ROUNDING = 1e-6


def covariates(
    random: float, tempo_per_min: float, spin_change_revps: float = 0.0, balls_so_far: float = 0.0
) -> Floats:
    """Return the covariates of balls in the units of the model, shape (4,)."""
    return np.array(
        [
            random,
            (tempo_per_min - USUAL_TEMPO_PER_MIN) / TEMPO_UNIT_PER_MIN,
            abs(spin_change_revps) / SPIN_CHANGE_UNIT_REVPS,
            balls_so_far / TIRED_UNIT_BALLS,
        ]
    )


@dataclass(frozen=True)
class Row:
    """One mark: `made` of the balls in `balls`, which gives for each type how many it was of.

    `week` counts from 0. `covariates` gives for each type the mean over its balls, shape (4,): whether the sequence was
    random (0 or 1), tempo, change of spin against the ball before, balls thrown so far in the session, in the units of
    `covariates`. A mark on one ball is a row of one ball. `forgotten` and `wrong_misses` are the rates of the marker.
    """

    week: int
    set_id: int
    made: int
    balls: Mapping[str, float]
    covariates: Mapping[str, Floats]
    forgotten: float = 0.0
    wrong_misses: float = 0.0


@dataclass(frozen=True)
class Season:
    """All marks of a player, by week. R rows, T types, C = 4 covariates.

    `weeks` counts all weeks from the first to today, with or without a mark. Shapes: week, set_id, made, forgotten,
    wrong_misses (R,); balls (R, T); covariates (R, T, C).
    """

    types: tuple[str, ...]
    weeks: int
    week: Ints
    set_id: Ints
    made: Floats
    balls: Floats
    covariates: Floats
    forgotten: Floats
    wrong_misses: Floats

    @cached_property
    def edges(self) -> Ints:
        """Return where the rows of each week begin, shape (weeks + 1,)."""
        return np.searchsorted(self.week, np.arange(self.weeks + 1)).astype(np.int64)

    @cached_property
    def first_rows(self) -> Ints:
        """Return the first row of each set, shape (sets,)."""
        return np.flatnonzero(np.r_[True, self.set_id[1:] != self.set_id[:-1]][: len(self.set_id)]).astype(np.int64)

    @cached_property
    def marked_sets(self) -> int:
        """Return how many sets have a mark."""
        return len(self.first_rows)

    @cached_property
    def first_week(self) -> Ints:
        """Return the week in which each type was first marked, `weeks` if never, shape (T,)."""
        thrown = self.balls > 0
        seen = thrown.any(axis=0)
        first = self.week[thrown.argmax(axis=0)] if len(self.week) else np.zeros(len(self.types), np.int64)
        return np.where(seen, first, self.weeks).astype(np.int64)

    def usual(self) -> Floats:
        """Return the mean covariates of each type over all its marked balls, shape (T, C): how it is usually thrown."""
        counts = self.balls.sum(axis=0)
        mean: Floats = np.einsum("rt,rtc->tc", self.balls, self.covariates) / np.maximum(counts, 1)[:, None]
        return mean

    def of_week(self, week: int) -> "Season":
        """Return the rows of one week as a season of their own that begins and ends with it."""
        part = slice(self.edges[week], self.edges[week + 1])
        zero = np.zeros(part.stop - part.start, dtype=np.int64)
        return Season(
            self.types, 1, zero, self.set_id[part], self.made[part], self.balls[part], self.covariates[part],
            self.forgotten[part], self.wrong_misses[part],
        )  # fmt: skip


def season(rows: Iterable[Row], types: Sequence[str] = (), weeks: int = 0) -> Season:
    """Return the rows as arrays, ordered by week and set. `types` and `weeks` are extended by what the rows hold."""
    ordered = sorted(rows, key=lambda row: (row.week, row.set_id))
    names = tuple(dict.fromkeys((*types, *(name for row in ordered for name in row.balls))))
    place = {name: index for index, name in enumerate(names)}
    balls = np.zeros((len(ordered), len(names)))
    known = np.zeros((len(ordered), len(names), len(COVARIATES)))
    for index, row in enumerate(ordered):
        if row.week < 0 or not 0 <= row.made <= sum(row.balls.values()) + ROUNDING:
            raise ValueError(f"set {row.set_id}: {row.made} made of {sum(row.balls.values())} in week {row.week}")
        for name, count in row.balls.items():
            balls[index, place[name]] = count
            known[index, place[name]] = row.covariates[name]
    last = ordered[-1].week + 1 if ordered else 0
    return Season(
        names,
        max(weeks, last),
        np.array([row.week for row in ordered], dtype=np.int64),
        np.array([row.set_id for row in ordered], dtype=np.int64),
        np.array([row.made for row in ordered], dtype=float),
        balls,
        known,
        np.array([row.forgotten for row in ordered], dtype=float),
        np.array([row.wrong_misses for row in ordered], dtype=float),
    )
