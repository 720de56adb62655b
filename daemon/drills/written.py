"""Sequences without chance: fixed and rotating."""

from collections.abc import Iterable, Iterator
from itertools import count, cycle, islice, pairwise
from typing import Literal, Self

import numpy as np

from drillfeed.daemon.drills.drawing import BallRow, Balls, Drawn, Follow, Rename, distinct, easiest
from drillfeed.daemon.validation import Table


class FixedSequence(Table):
    """The balls in the order they are written; after the last ball the list starts again."""

    kind: Literal["fixed"]
    balls: BallRow
    first: Literal["written", "easiest"] = "written"

    def names(self) -> tuple[str, ...]:
        """Return the mentions of its balls, in order of first mention."""
        return distinct(self.balls)

    def _mentions(self, balls: Balls) -> Iterator[str]:
        begin = self.balls.index(easiest(self.balls, balls)) if self.first == "easiest" else 0
        return cycle(self.balls[begin:] + self.balls[:begin])

    def draw(self, balls: Balls, rng: np.random.Generator) -> Iterator[Drawn]:
        """Yield the balls as written, without end."""
        return map(Drawn, self._mentions(balls))

    def follows(self, set_balls: int, balls: Balls) -> frozenset[Follow]:
        """Return every pair of balls in a row."""
        return _pairs(islice(self._mentions(balls), min(set_balls, len(self.balls) + 1)))

    def faults(self, set_balls: int, balls: Balls) -> list[str]:
        """Return nothing: any row of balls can be thrown."""
        return []

    def renamed(self, rename: Rename) -> Self:
        """Return the sequence with `rename` applied to every mention."""
        return self.model_copy(update={"balls": tuple(map(rename, self.balls))})


class RotatingSequence(Table):
    """The balls as written; each repetition begins one ball further on."""

    kind: Literal["rotating"]
    balls: BallRow

    def names(self) -> tuple[str, ...]:
        """Return the mentions of its balls, in order of first mention."""
        return distinct(self.balls)

    def _mentions(self) -> Iterator[str]:
        for turn in count():
            begin = turn % len(self.balls)
            yield from self.balls[begin:]
            yield from self.balls[:begin]

    def draw(self, balls: Balls, rng: np.random.Generator) -> Iterator[Drawn]:
        """Yield the balls turn by turn, without end."""
        return map(Drawn, self._mentions())

    def follows(self, set_balls: int, balls: Balls) -> frozenset[Follow]:
        """Return every pair of balls in a row."""
        return _pairs(islice(self._mentions(), min(set_balls, len(self.balls) ** 2 + 1)))

    def faults(self, set_balls: int, balls: Balls) -> list[str]:
        """Return nothing: any row of balls can be thrown."""
        return []

    def renamed(self, rename: Rename) -> Self:
        """Return the sequence with `rename` applied to every mention."""
        return self.model_copy(update={"balls": tuple(map(rename, self.balls))})


def _pairs(mentions: Iterable[str]) -> frozenset[Follow]:
    return frozenset(Follow(before, after, 0.0) for before, after in pairwise(mentions))
