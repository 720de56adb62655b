"""Where the ball touches net or table edge inside a step: a sphere against a rectangle, along the step's path."""

from typing import Any

import numpy as np
from numpy.typing import NDArray

from drillfeed.daemon.physics.roots import NEVER, TINY, Curve, slope, value, value_and_slope
from drillfeed.daemon.physics.table import NET_HEIGHT_M, Box

Array = NDArray[np.float64]
SAMPLE_M = 0.003  # a touch that is missed between two samples is less than 0.1 mm deep
MAX_SAMPLES = 1200
TURNS = 5  # of Newton's rule between two samples, where the path hardly bends
SAG_M = 0.003  # how far a path bends off its tangent while the ball passes over the tape


def clears_tape(x: Curve, z: Curve, at: Any, radius_m: float) -> Any:
    """Tell whether a ball that passes the net's plane at `at` clearly passes over the tape.

    Were its path straight, its distance from the tape would be the height over it times the cosine of the fall. A path
    bends by less than the square of the way (in metres) to the place where it is nearest.
    """
    (over, fall), along = value_and_slope(z, at), slope(x, at)
    over = over - NET_HEIGHT_M
    whole = along * along + fall * fall
    nearest = over * over / (whole + TINY)
    bend = radius_m + SAG_M + nearest * fall * fall
    return (over > 0.0) & (nearest * along * along > bend * bend)


def nearest_on(box: Box, place: Array) -> Array:
    """Return the points of a box (here a rectangle: one side is 0) nearest to positions, (..., 3, n)."""
    low, high = (np.array(corner)[:, None] for corner in box)
    nearest: Array = np.minimum(np.maximum(place, low), high)
    return nearest


def first_touch(path: Array, low: Array, high: Array, box: Box, radius_m: float) -> Array:
    """Return (k,) shares of a step, between `low` and `high`, at which balls first come within a radius of a box.

    `path` is (coefficients, 3, k). A ball that touches at the start counts only after it has been clear. NEVER means no
    touch.
    """
    width = high - low
    ends = value(path, low) - value(path, high)
    way_m = float(np.sqrt((ends * ends).sum(axis=0)).max())
    count = int(min(max(1.2 * way_m / SAMPLE_M, 16.0), MAX_SAMPLES)) + 2
    cut = np.linspace(0.0, 1.0, count)[:, None]
    off, _ = _off(path[:, None], low + width * cut, box, radius_m)
    enters = (off[:-1] > 0.0) & (off[1:] <= 0.0)
    first, columns = enters.argmax(axis=0), np.arange(len(low))
    before, after = off[first, columns], off[first + 1, columns]
    begin, step = low + width * cut[first, 0], width / (count - 1)
    s = begin + step * before / np.where(before > after, before - after, 1.0)
    for _ in range(TURNS):
        here, rate = _off(path, s, box, radius_m)
        s = np.clip(s - here / np.where(rate == 0.0, 1.0, rate), begin, begin + step)
    return np.where(enters.any(axis=0), s, NEVER)


def _off(path: Array, s: Array, box: Box, radius_m: float) -> tuple[Array, Array]:
    """Return how much farther than a radius balls are from a box, in squares, and its rate; balls are last."""
    place, velocity = value_and_slope(path, s[..., None, :])
    gap = place - nearest_on(box, place)
    return (gap * gap).sum(axis=-2) - radius_m**2, 2.0 * (gap * velocity).sum(axis=-2)
