"""Curves inside a step and where they fall through zero: for floats and for arrays.

A curve is a polynomial of fifth degree in the share s of a step, 0 to 1: its coefficients, that of s^5 first. Every
search is for the place where a curve falls below zero; a rising curve is turned over first.
"""

from typing import Any

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
Curve = tuple[Any, Any, Any, Any, Any, Any]
NEVER = 2.0  # any s above 1: the event is not in this step
MOST_TURNS = 60
TINY = 1e-300
SETTLED = 1e-8  # Newton's rule squares what is left: 1e-16 of a step


def curve_of(f0: Any, slope0: Any, bend0: Any, f1: Any, slope1: Any, bend1: Any) -> Curve:
    """Return the curve with the given values, first and second derivatives by s at both ends (Hermite)."""
    rise = f1 - f0 - slope0 - 0.5 * bend0
    turn = slope1 - slope0 - bend0
    change = bend1 - bend0
    c3 = 10.0 * rise - 4.0 * turn + 0.5 * change
    c4 = 7.0 * turn - 15.0 * rise - change
    c5 = 6.0 * rise - 3.0 * turn + 0.5 * change
    return c5, c4, c3, 0.5 * bend0, slope0, f0


def value(c: Curve, s: Any) -> Any:
    """Return the curve at s."""
    return ((((c[0] * s + c[1]) * s + c[2]) * s + c[3]) * s + c[4]) * s + c[5]


def slope(c: Curve, s: Any) -> Any:
    """Return the curve's derivative by s."""
    return (((5.0 * c[0] * s + 4.0 * c[1]) * s + 3.0 * c[2]) * s + 2.0 * c[3]) * s + c[4]


def slope_curve(c: Curve, sign: float = 1.0) -> Curve:
    """Return the derivative of a curve as a curve, turned over by a `sign` of -1."""
    return 0.0 * c[0], 5.0 * sign * c[0], 4.0 * sign * c[1], 3.0 * sign * c[2], 2.0 * sign * c[3], sign * c[4]


def above(c: Curve, level: Any) -> Curve:
    """Return a curve less a level."""
    return (*c[:5], c[5] - level)


def below(c: Curve, level: Any) -> Curve:
    """Return a level less a curve."""
    return -c[0], -c[1], -c[2], -c[3], -c[4], level - c[5]


def find(c: Curve, low: float, high: float) -> float:
    """Return where a curve that is not below zero at `low` and is below zero at `high` falls through it.

    Newton's rule inside a bracket, from the zero of the parabola with the slope at `low`.
    """
    begin, end, wide = value(c, low), value(c, high), high - low
    rate = slope(c, low) * wide
    bend = end - begin - rate
    root = max(rate * rate - 4.0 * bend * begin, 0.0) ** 0.5
    over = (-rate - root) / (2.0 * bend) if rate > 0.0 > bend else 2.0 * begin / (root - rate + TINY)
    s = low + wide * min(max(over, 0.0), 1.0)
    for _ in range(MOST_TURNS):
        here = value(c, s)
        if here < 0.0:
            high = s
        else:
            low = s
        rate = slope(c, s)
        new = s - here / rate if rate else low - 1.0
        if not low <= new <= high:
            new = 0.5 * (low + high)
        if abs(new - s) < SETTLED:
            return float(new)
        s = new
    return float(s)


def find_many(c: Curve, low: Array, high: Array) -> Array:
    """Return `find` for (k,) curves and brackets."""
    begin, end, wide = value(c, low), value(c, high), high - low
    rate = slope(c, low) * wide
    bend = end - begin - rate
    root = np.sqrt(np.maximum(rate * rate - 4.0 * bend * begin, 0.0))
    arch = (rate > 0.0) & (bend < 0.0)
    over = np.where(arch, -rate - root, 2.0 * begin) / np.where(arch, 2.0 * bend, root - rate + TINY)
    s = low + wide * np.minimum(np.maximum(over, 0.0), 1.0)
    for _ in range(MOST_TURNS):
        here, rate = value(c, s), slope(c, s)
        fallen = here < 0.0
        high, low = np.where(fallen, s, high), np.where(fallen, low, s)
        new = s - here / np.where(rate == 0.0, TINY, rate)
        new = np.where((new >= low) & (new <= high), new, 0.5 * (low + high))
        settled = (np.abs(new - s) < SETTLED).all()
        s = new
        if settled:
            break
    return s
