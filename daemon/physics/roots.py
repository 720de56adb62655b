"""Curves inside a step and where they fall through a level: for floats and for arrays.

A curve is a polynomial in the share s of a step, 0 to 1: its coefficients, that of the highest power first, as a
sequence of floats or as an array (coefficients, n).
"""

from typing import Any

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
Curve = Any
NEVER = 2.0  # any s above 1: the event is not in this step
MAX_TURNS = 60
QUICK_TURNS = 4
SETTLED = 1e-7  # of a step: Newton's rule squares what is left
CLOSE = 1e-12
TINY = 1e-300


def value(c: Curve, s: Any) -> Any:
    """Return the curve at s."""
    total = c[0]
    for coefficient in c[1:]:
        total = total * s + coefficient
    return total


def slope(c: Curve, s: Any) -> Any:
    """Return the curve's derivative by s."""
    power = len(c) - 1
    total = power * c[0]
    for coefficient in c[1:-1]:
        power -= 1
        total = total * s + power * coefficient
    return total


def slope_curve(c: Curve) -> Curve:
    """Return the derivative of a curve as a curve."""
    top = len(c) - 1
    if isinstance(c, np.ndarray):
        return np.arange(top, 0, -1.0)[:, None] * c[:-1]
    return tuple((top - k) * coefficient for k, coefficient in enumerate(c[:-1]))


def value_and_slope(c: Curve, s: Any) -> tuple[Any, Any]:
    """Return the curve and its derivative at s."""
    rate, total = c[0], c[0] * s + c[1]
    for coefficient in c[2:]:
        rate = rate * s + total
        total = total * s + coefficient
    return total, rate


def find(c: Curve, low: float, high: float, level: float, sign: float) -> float:
    """Return where `sign` (curve - level), not below zero at `low` but at `high`, falls through zero.

    Newton's rule inside a bracket, from the zero of the parabola with the slope at `low`.
    """
    begin, rate = value_and_slope(c, low)
    begin, end, wide = sign * (begin - level), sign * (value(c, high) - level), high - low
    rate = sign * rate * wide
    bend = end - begin - rate
    root = max(rate * rate - 4.0 * bend * begin, 0.0) ** 0.5
    over = (-rate - root) / (2.0 * bend) if rate > 0.0 > bend else 2.0 * begin / (root - rate + TINY)
    s = low + wide * min(max(over, 0.0), 1.0)
    for _ in range(MAX_TURNS):
        here, rate = value_and_slope(c, s)
        here -= level
        if sign * here < 0.0:
            high = s
        else:
            low = s
        new = s - here / (rate or TINY)
        if low <= new <= high:
            if abs(new - s) < SETTLED:
                return float(new)
        else:
            new = 0.5 * (low + high)
            if high - low < CLOSE:
                return float(new)
        s = new
    return float(s)


def find_many(c: Curve, low: Any, high: Any, level: Any, sign: Any) -> Array:
    """Return `find` for (k,) curves, brackets and levels."""
    whole = not isinstance(low, np.ndarray)  # all brackets begin at 0
    begin, rate = (c[-1], c[-2]) if whole else value_and_slope(c, low)
    end = value(c, high) if isinstance(high, np.ndarray) else c.sum(axis=0)
    begin, end, wide = sign * (begin - level), sign * (end - level), high - low
    rate = sign * rate * wide
    bend = end - begin - rate
    root = np.sqrt(np.maximum(rate * rate - 4.0 * bend * begin, 0.0))
    # The zero of the parabola, in the form that loses no digits.
    arch = (rate > 0.0) & (bend < 0.0)
    if arch.all():
        over = (rate + root) / (-2.0 * bend)
    else:
        over = np.where(arch, -rate - root, 2.0 * begin) / np.where(arch, 2.0 * bend, root - rate + TINY)
    found: Array = np.minimum(np.maximum(low + wide * over, low), high)
    move = found
    with np.errstate(all="ignore"):
        for _ in range(QUICK_TURNS):
            here, rate = value_and_slope(c, found)
            move = (level - here) / rate
            found = found + move
        good = (np.abs(move) < SETTLED) & (found >= low) & (found <= high) & (sign * rate < 0.0)
    slow = np.flatnonzero(~good)
    if len(slow):
        low, high, level, sign = (np.broadcast_to(a, found.shape)[slow] for a in (low, high, level, sign))
        found[slow] = _slowly(c[:, slow], low, high, level, sign)
    return found


def _slowly(c: Curve, low: Array, high: Array, level: Array, sign: Array) -> Array:
    """Return where (k,) curves fall through their levels by Newton's rule inside a bracket."""
    rows, s = np.arange(len(low)), high
    found = s.copy()
    for _ in range(MAX_TURNS):
        here, rate = value_and_slope(c, s)
        here = here - level
        fallen = sign * here < 0.0
        high, low = np.where(fallen, s, high), np.where(fallen, low, s)
        new = s - here / np.where(rate == 0.0, TINY, rate)
        inside = (new >= low) & (new <= high)
        new = np.where(inside, new, 0.5 * (low + high))
        open_ = np.flatnonzero(np.where(inside, np.abs(new - s) >= SETTLED, high - low >= CLOSE))
        found[rows] = new
        if not len(open_):
            break
        rows, c, s, low, high = rows[open_], c[:, open_], new[open_], low[open_], high[open_]
        level, sign = level[open_], sign[open_]
    return found
