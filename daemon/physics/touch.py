"""Moments inside a step: where the path crosses a plane, and where the ball first touches net or table edge.

Within a step the path is the cubic with the positions and velocities of both ends (Hermite); s runs from 0 to 1.
"""

from typing import Any

import numpy as np
from numpy.typing import NDArray

from drillfeed.daemon.physics.table import NET_HEIGHT_M, NET_X_M, Box

Array = NDArray[np.float64]
NEVER = 2.0  # any s above 1: the event is not in this step
DIP_M = 0.005  # a ball with strong backspin may sink this far below both ends of a step and rise again
_SAMPLES = 65  # over a fifth of a metre: 3 mm apart, so a touch that is missed is less than 0.1 mm deep
# The interval in which the ball enters is then divided twice more, to some 10 um.
_CUTS = tuple(np.linspace(0.0, 1.0, n)[:, None] for n in (_SAMPLES, 17, 17))
_SETTLED = 1e-13


def cubic(f0: Any, slope0: Any, f1: Any, slope1: Any, h: Any) -> tuple[Any, Any, Any, Any]:
    """Return the coefficients (of s^3, s^2, s, 1) of the cubic through both ends of a step of `h` seconds."""
    rise, m0, m1 = f1 - f0, h * slope0, h * slope1
    return m0 + m1 - 2.0 * rise, 3.0 * rise - 2.0 * m0 - m1, m0, f0


def value(c: tuple[Any, Any, Any, Any], s: Any) -> Any:
    """Return the cubic at s."""
    return ((c[0] * s + c[1]) * s + c[2]) * s + c[3]


def root_from(c: tuple[float, float, float, float], start: float) -> float:
    """Return the root of a cubic that Newton's rule reaches from `start`, or NEVER if it leaves the step."""
    s = start
    for _ in range(40):
        slope = (3.0 * c[0] * s + 2.0 * c[1]) * s + c[2]
        if slope == 0.0:
            return NEVER
        move = float(value(c, s)) / slope
        s = min(max(s - move, 0.0), 1.0)
        if abs(move) < _SETTLED:
            return s
    return s if abs(value(c, s)) < 1e-7 else NEVER


def roots_from(c: tuple[Array, Array, Array, Array], start: Array) -> Array:
    """Return `root_from` for (k,) arrays of coefficients."""
    s = start.copy()
    for _ in range(40):
        slope = (3.0 * c[0] * s + 2.0 * c[1]) * s + c[2]
        move = value(c, s) / np.where(slope == 0.0, np.inf, slope)
        s = np.minimum(np.maximum(s - move, 0.0), 1.0)
        if np.all(np.abs(move) < _SETTLED):
            break
    return np.where(np.abs(value(c, s)) < 1e-7, s, NEVER)


def well_over_net(p0: Any, v0: Any, p1: Any, v1: Any, h: Any, radius_m: float, lesser: Any, greater: Any) -> Any:
    """Tell whether a step that crosses the net plane clearly passes over the tape: a quick test before `first_touch`.

    It compares the heights where the ball begins and ends to overlap the plane, with a margin of a tenth of a step.
    """
    run = greater(p1[0] - p0[0], 1e-9)
    z = cubic(p0[2], v0[2], p1[2], v1[2], h)
    begin = lesser(greater((NET_X_M - radius_m - p0[0]) / run - 0.1, 0.0), 1.0)
    end = lesser(greater((NET_X_M + radius_m - p0[0]) / run + 0.1, 0.0), 1.0)
    return lesser(value(z, begin), value(z, end)) > NET_HEIGHT_M + radius_m + DIP_M


def nearest_on(box: Box, x: Any, y: Any, z: Any) -> tuple[Any, Any, Any]:
    """Return the point of a box (here a rectangle: one side is 0) nearest to a position."""
    low, high = box
    return (
        np.minimum(np.maximum(x, low[0]), high[0]),
        np.minimum(np.maximum(y, low[1]), high[1]),
        np.minimum(np.maximum(z, low[2]), high[2]),
    )


def first_touch(p0: Array, v0: Array, p1: Array, v1: Array, h: Array, box: Box, radius_m: float) -> Array:
    """Return (k,) moments s at which balls, (3, k) at both ends of a step, first come within a radius of a box.

    A ball that touches at the start counts only after it has been clear. NEVER means no touch.
    """
    paths = [cubic(p0[i], v0[i], p1[i], v1[i], h) for i in range(3)]
    low = np.zeros(p0.shape[1])
    width = np.ones(p0.shape[1])
    found = np.ones(p0.shape[1], dtype=bool)
    for cut in _CUTS:
        s = low + width * cut
        x, y, z = (value(c, s) for c in paths)
        nx, ny, nz = nearest_on(box, x, y, z)
        gap = (x - nx) ** 2 + (y - ny) ** 2 + (z - nz) ** 2 - radius_m**2
        enters = (gap[:-1] > 0.0) & (gap[1:] <= 0.0)
        found &= enters.any(axis=0)
        first = enters.argmax(axis=0)
        low = low + width * cut[first, 0]
        width = width / (len(cut) - 1)
    return np.where(found, low + width, NEVER)
