"""What a sequence yields, ball by ball, and what every kind of sequence has to offer."""

from collections.abc import Callable, Iterable, Iterator, Mapping
from typing import Annotated, NamedTuple, Protocol, Self

import numpy as np
from pydantic import Field

from drillfeed.daemon.drills.balls import BallType
from drillfeed.daemon.drills.bounds import HARD_MAX_SET_BALLS
from drillfeed.daemon.drills.sides import Mention, split

Weight = Annotated[float, Field(gt=0, le=1e6)]
BallRow = Annotated[tuple[Mention, ...], Field(min_length=1, max_length=HARD_MAX_SET_BALLS)]
RunLength = Annotated[int, Field(ge=1, le=HARD_MAX_SET_BALLS)]
Balls = Mapping[str, BallType]
Rename = Callable[[str], str]


class Drawn(NamedTuple):
    """One ball as drawn. It leaves `wait_s` seconds after the ball before it, or at the tempo if the wait is 0."""

    mention: str
    wait_s: float = 0.0


class Follow(NamedTuple):
    """One ball that may follow another: after a wait in seconds, or at the tempo if the wait is 0."""

    before: str
    after: str
    wait_s: float


class SequenceKind(Protocol):
    """The methods of every kind of sequence; the classes are pydantic tables of the drill file."""

    def names(self) -> tuple[str, ...]:
        """Return the mentions of its balls, in order of first mention."""

    def follows(self, set_balls: int, balls: Balls) -> frozenset[Follow]:
        """Return every pair of balls that the rules allow in a set of `set_balls` balls."""

    def draw(self, balls: Balls, rng: np.random.Generator) -> Iterator[Drawn]:
        """Yield balls, without end unless the sequence is a quota."""

    def faults(self, set_balls: int, balls: Balls) -> list[str]:
        """Return why a set of `set_balls` balls can't be drawn; empty if it can."""

    def renamed(self, rename: Rename) -> Self:
        """Return the sequence with `rename` applied to every mention."""


def easiest(mentions: Iterable[str], balls: Balls) -> str:
    """Return the mention of the easiest ball; the first one written if several are equally easy."""
    return min(mentions, key=lambda mention: balls[split(mention)[0]].ease)


def distinct(mentions: Iterable[str]) -> tuple[str, ...]:
    """Return the mentions once each, in order of first mention."""
    return tuple(dict.fromkeys(mentions))
