"""Random sequences: balls drawn by weight, with run limits, barred pairs and followers by share.

This is a Markov chain with a memory of one ball. Rule of this file: only `chances` says how likely a ball is; drawing,
pairs and faults are derived from it.
"""

from collections.abc import Iterable, Iterator, Mapping
from typing import Annotated, Any, Literal, Self

import numpy as np
from pydantic import Field, model_validator

from drillfeed.daemon.drills.bounds import HARD_MAX_SET_BALLS
from drillfeed.daemon.drills.drawing import Balls, Drawn, Follow, Rename, RunLength, Weight, easiest
from drillfeed.daemon.drills.sides import Mention
from drillfeed.daemon.validation import Table
from drillfeed.protocol.texts.catalogue import text

_BLOCK = 256
_Table = tuple[list[Drawn], np.ndarray[Any, np.dtype[np.float64]]]
Share = Annotated[float, Field(gt=0, le=1)]
First = Literal["easiest", "drawn"]


class RandomSequence(Table):
    """Each ball drawn by weight, with rules.

    At most `max_alike` of one ball come in a row, and no pair listed in `never` comes at all. After a ball named in
    `after`, its followers have the shares written there, and the other balls share the rest by weight.
    """

    kind: Literal["random"]
    weights: Annotated[dict[Mention, Weight], Field(min_length=1, max_length=HARD_MAX_SET_BALLS)]
    max_alike: RunLength = HARD_MAX_SET_BALLS
    never: tuple[tuple[Mention, Mention], ...] = ()
    after: dict[Mention, Annotated[dict[Mention, Share], Field(min_length=1)]] = Field({})
    first: First = "easiest"

    @model_validator(mode="after")
    def _known(self) -> "RandomSequence":
        _check_weighted(self.weights, {name for pair in self.never for name in pair}, "never")
        _check_weighted(self.weights, {*self.after, *(name for row in self.after.values() for name in row)}, "after")
        for last, row in self.after.items():
            if sum(row.values()) > 1 + 1e-9:
                raise ValueError(text("weights.shares-above-1", last=last, total=sum(row.values())))
            barred = sorted(name for name in row if (last, name) in self.never)
            if barred:
                raise ValueError(text("weights.after-and-never", ball=barred[0], last=last))
        return self

    def names(self) -> tuple[str, ...]:
        """Return the mentions of its balls, in order of first mention."""
        return tuple(self.weights)

    def chances(self, last: str, at_limit: bool) -> dict[str, float]:
        """Return how likely each ball is after `last`; empty if the rules allow none.

        A follower in `after` has exactly its share; the other balls share the rest by weight. If the run limit bars a
        follower, the other balls get its share as well.
        """
        barred = {after for before, after in self.never if before == last}
        if at_limit:
            barred.add(last)
        named = {name: share for name, share in self.after.get(last, {}).items() if name not in barred}
        others = {
            name: weight
            for name, weight in self.weights.items()
            if name not in barred and name not in self.after.get(last, {})
        }
        left = max(1.0 - sum(named.values()), 0.0)
        if not others or left < 1e-12:
            total = sum(named.values())
            return {name: share / total for name, share in named.items()}
        total = sum(others.values())
        return named | {name: left * weight / total for name, weight in others.items()}

    def follows(self, set_balls: int, balls: Balls) -> frozenset[Follow]:
        """Return every pair of balls that may follow each other in a set of `set_balls` balls."""
        if set_balls < 2:
            return frozenset()
        states = [(last, at_limit) for last in self.weights for at_limit in {self.max_alike == 1, True}]
        return frozenset(Follow(last, name, 0.0) for last, limit in states for name in self.chances(last, limit))

    def faults(self, set_balls: int, balls: Balls) -> list[str]:
        """Return why the rules can't be kept: no ball may follow some ball, or a share can't be kept."""
        found = []
        for last in self.weights:
            runs = {self.max_alike: True} if self.max_alike == 1 else {1: False, self.max_alike: True}
            for alike, at_limit in runs.items():
                if not self.chances(last, at_limit):
                    found.append(text("weights.nothing-left", alike=alike, last=last))
                    break
            row = self.after.get(last, {})
            free = set(self.weights) - set(row) - {after for before, after in self.never if before == last}
            if row and not free and sum(row.values()) < 1 - 1e-9:
                found.append(text("weights.shares-below-1", last=last, total=sum(row.values())))
        return found

    def draw(self, balls: Balls, rng: np.random.Generator) -> Iterator[Drawn]:
        """Yield balls without end; each ball uses one uniform random number."""
        tables = {
            (last, at_limit): _table(self.chances(last, at_limit))
            for last in self.weights
            for at_limit in (False, True)
        }
        begin = {easiest(self.weights, balls): 1.0} if self.first == "easiest" else dict(self.weights)
        drawn, steps = _table(begin)
        last, alike = "", 0
        while True:
            for chance in rng.random(_BLOCK):
                ball = drawn[int(steps.searchsorted(chance, side="right"))]
                alike = alike + 1 if ball.mention == last else 1
                last = ball.mention
                yield ball
                drawn, steps = tables[last, alike >= self.max_alike]

    def renamed(self, rename: Rename) -> Self:
        """Return the sequence with `rename` applied to every mention; entries that become the same are added up."""
        after: dict[str, dict[str, float]] = {}
        for last, row in self.after.items():
            after.setdefault(rename(last), added_up((rename(ball), share) for ball, share in row.items()))
        return self.model_copy(
            update={
                "weights": added_up((rename(ball), weight) for ball, weight in self.weights.items()),
                "never": tuple((rename(before), rename(ball)) for before, ball in self.never),
                "after": after,
            }
        )


def added_up(pairs: Iterable[tuple[str, Any]]) -> dict[str, Any]:
    """Return the amounts by name, with the amounts of equal names added up."""
    together: dict[str, Any] = {}
    for name, amount in pairs:
        together[name] = together.get(name, 0) + amount
    return together


def _table(chance: Mapping[str, float]) -> _Table:
    """Return the balls and the upper ends of their shares of 0 to 1; both are empty if there is nothing to draw."""
    steps = np.cumsum(list(chance.values()), dtype=np.float64)
    return [Drawn(name) for name in chance], steps / steps[-1] if len(steps) else steps


def _check_weighted(known: Mapping[str, float], used: set[str], where: str) -> None:
    strange = sorted(used - set(known))
    if strange:
        raise ValueError(text("weights.strange", where=where, strange=", ".join(strange)))
