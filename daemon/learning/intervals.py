"""Intervals for a share: made k of n.

Rule of this file: k = 0 begins at 0 and k = n ends at 1. Nothing marked (n = 0) has no interval, and asking for one is
an error, never 0 to 1. The simple interval of a normal distribution is not here, because it is wrong for small n
(Brown, Cai, DasGupta 2001, Statistical Science 16:101).
"""

import math
from typing import NamedTuple

from scipy.special import betaincinv, ndtri

SHOWN_LEVEL = 0.90
"""The level of every interval that is shown alone; beside it, at most the inner one of 50 %."""
INNER_LEVEL = 0.50


class Interval(NamedTuple):
    """The two ends of an interval for a share, 0 to 1."""

    low: float
    high: float


def jeffreys(made: int, out_of: int, level: float = SHOWN_LEVEL) -> Interval:
    """Return the Jeffreys interval: equal tails of Beta(k + 1/2, n - k + 1/2); the ends at k = 0 and k = n are 0 and 1.

    Brown, Cai, DasGupta 2001, section 3.1.2. Raises ValueError.
    """
    tail = _tail(made, out_of, level)
    low = 0.0 if made == 0 else float(betaincinv(made + 0.5, out_of - made + 0.5, tail))
    high = 1.0 if made == out_of else float(betaincinv(made + 0.5, out_of - made + 0.5, 1 - tail))
    return Interval(low, high)


def wilson(made: int, out_of: int, level: float = SHOWN_LEVEL) -> Interval:
    """Return the Wilson score interval (Newcombe 1998, Statistics in Medicine 17:857, method 3). Raises ValueError."""
    z = float(ndtri(1 - _tail(made, out_of, level)))
    share, spread = made / out_of, z * z / out_of
    middle = (share + spread / 2) / (1 + spread)
    half = z * math.sqrt(share * (1 - share) / out_of + spread / (4 * out_of)) / (1 + spread)
    return Interval(0.0 if made == 0 else middle - half, 1.0 if made == out_of else middle + half)


def clopper_pearson(made: int, out_of: int, level: float = SHOWN_LEVEL) -> Interval:
    """Return the Clopper-Pearson interval, which holds at least `level` for every share. Raises ValueError."""
    tail = _tail(made, out_of, level)
    low = 0.0 if made == 0 else float(betaincinv(made, out_of - made + 1, tail))
    high = 1.0 if made == out_of else float(betaincinv(made + 1, out_of - made, 1 - tail))
    return Interval(low, high)


def _tail(made: int, out_of: int, level: float) -> float:
    if out_of < 1 or not 0 <= made <= out_of:
        raise ValueError(f"made {made} of {out_of}; expected at least one ball, and no more made than marked")
    if not 0 < level < 1:
        raise ValueError(f"level {level}; expected between 0 and 1")
    return (1 - level) / 2
