"""Quota sequences: each ball exactly n times, shuffled, with a limit on how many alike come in a row.

Rule of this file: no draw is discarded and repeated. `possible` says exactly whether the balls that are left can still
be thrown. A draw takes only balls after which they can, and an impossible quota is refused before the first draw.
"""

from collections.abc import Iterator, Mapping
from typing import Annotated, Literal, Self

import numpy as np
from pydantic import Field

from drillfeed.daemon.drills.bounds import HARD_MAX_SET_BALLS
from drillfeed.daemon.drills.drawing import Balls, Drawn, Follow, Rename, RunLength, easiest
from drillfeed.daemon.drills.sides import Mention
from drillfeed.daemon.drills.weighted import First, added_up
from drillfeed.daemon.validation import Table
from drillfeed.protocol.texts.catalogue import text


class QuotaSequence(Table):
    """Each ball exactly as often as its quota says, shuffled; never more than `max_alike` in a row."""

    kind: Literal["quota"]
    quota: Annotated[
        dict[Mention, Annotated[int, Field(ge=1, le=HARD_MAX_SET_BALLS)]],
        Field(min_length=1, max_length=HARD_MAX_SET_BALLS),
    ]
    max_alike: RunLength = HARD_MAX_SET_BALLS
    first: First = "easiest"

    @property
    def balls(self) -> int:
        """Return how many balls the quotas make together."""
        return sum(self.quota.values())

    def names(self) -> tuple[str, ...]:
        """Return the mentions of its balls, in order of first mention."""
        return tuple(self.quota)

    def follows(self, set_balls: int, balls: Balls) -> frozenset[Follow]:
        """Return every pair that may follow each other.

        Two different balls always count as a possible pair. If such a pair can't occur, the set may be slower than
        necessary. A ball follows itself only if its quota is two or more and the run limit allows it.
        """
        if set_balls < 2:
            return frozenset()
        return frozenset(
            Follow(before, after, 0.0)
            for before in self.quota
            for after in self.quota
            if before != after or (self.quota[before] > 1 and self.max_alike > 1)
        )

    def faults(self, set_balls: int, balls: Balls) -> list[str]:
        """Return why a set of `set_balls` balls can't be drawn from the quota."""
        found = []
        if set_balls > self.balls:
            found.append(text("quota.other-number", set_balls=set_balls, balls=self.balls))
        begin = easiest(self.quota, balls) if self.first == "easiest" else None
        if not possible(self.quota, self.max_alike):
            name, n = max(self.quota.items(), key=lambda item: item[1])
            others, limit = self.balls - n, self.max_alike
            found.append(
                text(
                    "quota.too-alike",
                    n=n,
                    ball=name,
                    others=others,
                    limit=limit,
                    fit=limit * (others + 1),
                    max_alike=-(-n // (others + 1)),
                )
            )
        elif begin is not None and not possible(_without_one(self.quota, begin), self.max_alike, begin, 1):
            found.append(text("quota.begin", begin=begin, max_alike=self.max_alike))
        return found

    def draw(self, balls: Balls, rng: np.random.Generator) -> Iterator[Drawn]:
        """Yield each ball as often as its quota says, then end.

        A type is drawn in proportion to how many of its balls are left, among the types after which the rest can
        still be thrown. Without a run limit this makes every order equally likely.
        """
        left = dict(self.quota)
        last, alike = None, 0
        begin = easiest(left, balls) if self.first == "easiest" else None
        for chance in rng.random(self.balls):
            allowed = [begin] if begin else [name for name in left if may_come(left, name, last, alike, self.max_alike)]
            begin = None
            steps = np.cumsum([left[name] for name in allowed])
            name = allowed[int(steps.searchsorted(chance * steps[-1], side="right"))]
            alike = alike + 1 if name == last else 1
            last = name
            left = _without_one(left, name)
            yield Drawn(name)

    def renamed(self, rename: Rename) -> Self:
        """Return the sequence with `rename` applied to every mention; quotas that become the same are added up."""
        return self.model_copy(update={"quota": added_up((rename(ball), n) for ball, n in self.quota.items())})


def possible(left: Mapping[str, int], max_alike: int, last: str | None = None, alike: int = 0) -> bool:
    """Tell exactly whether `left` can be thrown after `alike` times `last` with runs of at most `max_alike`.

    The other balls divide the row into places for a ball: one before each of them and one at the end. Each place holds
    `max_alike`; the first place of `last` holds only what is left of its run. A ball fits if its places can hold all of
    it. If each ball fits by itself, always throwing the ball nearest to its limit throws them all (a counting argument;
    the tests compare it with trying every order).
    """
    together = sum(left.values())
    return all(n <= max_alike * (together - n + 1) - (alike if name == last else 0) for name, n in left.items())


def may_come(left: Mapping[str, int], name: str, last: str | None, alike: int, max_alike: int) -> bool:
    """Tell whether `name` may be thrown after `alike` times `last`, so that the rest of `left` can be thrown too."""
    run = alike + 1 if name == last else 1
    return run <= max_alike and possible(_without_one(left, name), max_alike, name, run)


def _without_one(left: Mapping[str, int], name: str) -> dict[str, int]:
    """Return what is left after throwing one `name`."""
    return {ball: n - (ball == name) for ball, n in left.items() if n > (ball == name)}
