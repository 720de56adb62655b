"""What shares a random or quota set really brings, and how much of it a player who counts can't know."""

from collections.abc import Mapping
from typing import NamedTuple

import numpy as np

from drillfeed.daemon.drills.drawing import Balls, easiest
from drillfeed.daemon.drills.quota import QuotaSequence, may_come
from drillfeed.daemon.drills.weighted import RandomSequence
from drillfeed.protocol.texts.catalogue import text

QUOTA_DRAWS = 400
SEED = 1


class Surprise(NamedTuple):
    """Means over the balls of a set.

    `shares` is the part of the balls that each mention makes. `bits` is how many bits a ball a player can't know who
    knows the rules and remembers every ball before; `guessed` is the part that this player guesses, `forced` the part
    that the rules leave no choice for. `exact` tells whether they were computed or come from a seeded draw.
    """

    shares: dict[str, float]
    bits: float
    guessed: float
    forced: float
    exact: bool

    @property
    def text(self) -> str:
        """Return the figures as one line for people."""
        shares = ", ".join(f"{name} {share:.0%}" for name, share in self.shares.items())
        how = text("surprise.exact") if self.exact else text("surprise.drawn", draws=QUOTA_DRAWS)
        figures = {"bits": self.bits, "guessed": self.guessed, "forced": self.forced}
        return text("surprise.figures", shares=shares, how=how, **figures)


def surprise(sequence: object, set_balls: int, balls: Balls) -> Surprise | None:
    """Return the figures of a random or quota sequence over a set of `set_balls` balls; None for other kinds."""
    if isinstance(sequence, RandomSequence):
        return _of_random(sequence, set_balls, balls)
    return _of_quota(sequence, set_balls, balls) if isinstance(sequence, QuotaSequence) else None


def _of_random(sequence: RandomSequence, set_balls: int, balls: Balls) -> Surprise:
    """Follow the chance of each state (last ball, how many alike) through the set: exact."""
    begin = {easiest(sequence.weights, balls): 1.0} if sequence.first == "easiest" else dict(sequence.weights)
    total = sum(begin.values())
    row = {name: weight / total for name, weight in begin.items()}
    rows = {(last, limit): sequence.chances(last, limit) for last in sequence.weights for limit in (False, True)}
    shares = dict.fromkeys(sequence.weights, 0.0)
    figures = np.array(_figures(row))
    states = {(name, 1): chance for name, chance in row.items()}
    for place in range(set_balls):
        for (name, _), chance in states.items():
            shares[name] += chance / set_balls
        if place == set_balls - 1:
            break
        following: dict[tuple[str, int], float] = {}
        for (last, alike), chance in states.items():
            row = rows[last, alike >= sequence.max_alike]
            figures += chance * np.array(_figures(row))
            for name, part in row.items():
                state = (name, min(alike + 1, sequence.max_alike) if name == last else 1)
                following[state] = following.get(state, 0.0) + chance * part
        states = following
    bits, guessed, forced = map(float, figures / set_balls)
    return Surprise(shares, bits, guessed, forced, True)


def _of_quota(sequence: QuotaSequence, set_balls: int, balls: Balls) -> Surprise:
    """Draw the set many times, and take the figures of each ball's chances just before it is drawn."""
    rng = np.random.default_rng(SEED)
    counts = dict.fromkeys(sequence.quota, 0)
    figures = np.zeros(3)
    for _ in range(QUOTA_DRAWS):
        left, last, alike = dict(sequence.quota), None, 0
        for place, drawn in zip(range(set_balls), sequence.draw(balls, rng), strict=False):
            if place == 0 and sequence.first == "easiest":
                row = {drawn.mention: 1.0}
            else:
                row = {name: n for name, n in left.items() if may_come(left, name, last, alike, sequence.max_alike)}
            figures += _figures(row)
            counts[drawn.mention] += 1
            alike = alike + 1 if drawn.mention == last else 1
            last = drawn.mention
            left = {name: n - (name == last) for name, n in left.items() if n > (name == last)}
    n = QUOTA_DRAWS * set_balls
    bits, guessed, forced = map(float, figures / n)
    return Surprise({name: count / n for name, count in counts.items()}, bits, guessed, forced, False)


def _figures(row: Mapping[str, float]) -> tuple[float, float, float]:
    """Return the entropy in bits (Shannon), the greatest chance, and 1 if there is no choice."""
    chances = np.array([chance for chance in row.values() if chance > 0.0], dtype=np.float64)
    chances /= chances.sum()
    return -float(chances @ np.log2(chances)), float(chances.max()), float(len(chances) == 1)
