"""How many balls of a set are made if each ball has a chance of its own: the Poisson-binomial distribution.

Rule of this file: everything is exact. A set has at most 120 balls, so the convolution is quick enough. scipy has this
distribution only in versions later than the oldest that drillfeed runs with.
"""

from collections.abc import Sequence

import numpy as np
from numpy.typing import ArrayLike, NDArray

Floats = NDArray[np.float64]


def total_distribution(chances: ArrayLike) -> Floats:
    """Return the probability of 0, 1, ... n balls made, shape (n + 1,), for the chances of n balls, each 0 to 1."""
    distribution = np.ones(1)
    for chance in _checked(chances):
        distribution = np.convolve(distribution, (1 - chance, chance))
    return distribution


def total_moments(chances: ArrayLike) -> tuple[float, float]:
    """Return mean and variance of the number of balls made."""
    known = _checked(chances)
    return float(known.sum()), float((known * (1 - known)).sum())


def expected_of_part(part: ArrayLike, rest: ArrayLike, made: int) -> float:
    """Return how many balls of `part` are expected among `made` balls of the whole set, by Bayes' rule.

    `part` and `rest` hold the chances of the balls. Raises ValueError if the total is impossible.
    """
    of_part, of_rest = total_distribution(part), total_distribution(rest)
    counts = np.arange(len(of_part))
    others = made - counts
    possible = (others >= 0) & (others < len(of_rest))
    weights = np.where(possible, of_part * of_rest[np.clip(others, 0, len(of_rest) - 1)], 0.0)
    if weights.sum() <= 0:
        raise ValueError(f"a total of {made} cannot come of these balls")
    return float((counts * weights).sum() / weights.sum())


def linear_expected_of_part(part: ArrayLike, rest: ArrayLike, made: int) -> float:
    """Return the same by the linear rule that the model uses: mean + variance of the part / variance x surprise."""
    mean, variance = total_moments(part)
    rest_mean, rest_variance = total_moments(rest)
    return mean + variance * (made - mean - rest_mean) / (variance + rest_variance)


def _checked(chances: ArrayLike | Sequence[float]) -> Floats:
    known = np.asarray(chances, dtype=float)
    if known.ndim != 1 or not ((known >= 0) & (known <= 1)).all():
        raise ValueError("chances between 0 and 1, one for each ball, are expected")
    return known
