"""Did a share change? Three weeks against three weeks, by draws of whole courses.

Rule of this file: "clearly" means that 95 % of the draws lie on one side and that the change is at least 5 points, and
both windows must hold marks. Everything else is "can't tell yet": with 20-ball sets a change of 10 points takes about
350 marked balls on each side to be seen. At most three changes are called clear in one report, and how many were not
shown is told, because among twelve types one is false in every fourth report.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtri

Floats = NDArray[np.float64]
Word = Literal["clearly up", "clearly down", "can't tell yet"]

WINDOW_WEEKS = 3
SURE = 0.95
MIN_CHANGE = 0.05
MAX_SHOWN = 3
FORM_FACTOR = 1.38
"""By how much the form of the set (0.3) raises the number of balls, at 20 balls a set."""


@dataclass(frozen=True)
class Change:
    """How the share of one type changed between two windows; `balls` are marked balls before and now."""

    ball: str
    word: Word
    points: float | None
    sure: float | None
    balls: tuple[int, int]


def changes(names: Sequence[str], drawn: Floats, balls: Floats, weeks_ago: int) -> tuple[Change, ...]:
    """Return the change of each type between the last three weeks and the three that end `weeks_ago` weeks earlier.

    `drawn` (draws, weeks, T) are drawn shares, `balls` (weeks, T) how many were marked.
    The windows must not overlap: `weeks_ago` is at least 3.
    """
    if weeks_ago < WINDOW_WEEKS:
        raise ValueError(f"windows {weeks_ago} weeks apart overlap; expected at least {WINDOW_WEEKS}")
    weeks = drawn.shape[1]
    now = slice(max(weeks - WINDOW_WEEKS, 0), weeks)
    before = slice(max(weeks - WINDOW_WEEKS - weeks_ago, 0), max(weeks - weeks_ago, 0))
    found = []
    for place, name in enumerate(names):
        counts = int(balls[before, place].sum()), int(balls[now, place].sum())
        if not min(counts):
            found.append(Change(name, "can't tell yet", None, None, counts))
            continue
        difference = drawn[:, now, place].mean(axis=1) - drawn[:, before, place].mean(axis=1)
        points, up = float(difference.mean()), float((difference > 0).mean())
        clear = max(up, 1 - up) >= SURE and abs(points) >= MIN_CHANGE
        word: Word = "can't tell yet" if not clear else "clearly up" if points > 0 else "clearly down"
        found.append(Change(name, word, points, max(up, 1 - up), counts))
    return tuple(found)


def shown(found: Sequence[Change]) -> tuple[tuple[Change, ...], int]:
    """Return the changes as a report shows them, the three largest clear ones at most, and how many it withholds."""
    clear = sorted((one for one in found if one.points is not None and one.word != "can't tell yet"), key=_size)
    kept = {change.ball for change in clear[:MAX_SHOWN]}
    hidden = len(clear) - len(kept)
    return tuple(
        change
        if change.ball in kept
        else Change(change.ball, "can't tell yet", change.points, change.sure, change.balls)
        for change in found
    ), hidden


def balls_to_see(before: float, after: float, sure: float = SURE, power: float = 0.80) -> int:
    """Return how many marked balls on each side show a change, one-sided, if sets had no form of their own.

    Two-sample normal approximation without a correction for continuity (textbook formula). Multiply by `FORM_FACTOR`
    for 20-ball sets.
    """
    middle = (before + after) / 2
    apart = ndtri(sure) * np.sqrt(2 * middle * (1 - middle))
    own = ndtri(power) * np.sqrt(before * (1 - before) + after * (1 - after))
    return int(np.ceil(((apart + own) / (after - before)) ** 2))


def _size(change: Change) -> tuple[float, str]:
    return -abs(change.points or 0.0), change.ball
