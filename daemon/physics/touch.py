"""Where the ball touches net or table edge inside a step: a sphere against a rectangle, along the step's path."""

from typing import Any

import numpy as np
from numpy.typing import NDArray

from drillfeed.daemon.physics.roots import NEVER, Curve, slope, value
from drillfeed.daemon.physics.table import NET_HEIGHT_M, Box

Array = NDArray[np.float64]
SAMPLE_M = 0.003  # a touch that is missed between two samples is less than 0.1 mm deep
MOST_SAMPLES = 1200
# The interval in which the ball enters is then divided twice more, to some 10 um.
_FINER = tuple(np.linspace(0.0, 1.0, n)[:, None] for n in (17, 17))
SAG_M = 0.003  # how far a path bends off its tangent while the ball passes over the tape


def clears_tape(x: Curve, z: Curve, at: Any, radius_m: float) -> Any:
    """Tell whether a ball that passes the net's plane at `at` clearly passes over the tape.

    Its path there is nearly straight, so its distance from the tape is the height over it times the cosine of the fall.
    """
    along, fall = slope(x, at), slope(z, at)
    over = value(z, at) - NET_HEIGHT_M - SAG_M
    return (over > 0.0) & (over * over * along * along > radius_m * radius_m * (along * along + fall * fall))


def nearest_on(box: Box, x: Any, y: Any, z: Any) -> tuple[Any, Any, Any]:
    """Return the point of a box (here a rectangle: one side is 0) nearest to a position."""
    low, high = box
    return (
        np.minimum(np.maximum(x, low[0]), high[0]),
        np.minimum(np.maximum(y, low[1]), high[1]),
        np.minimum(np.maximum(z, low[2]), high[2]),
    )


def first_touch(x: Curve, y: Curve, z: Curve, low: Array, high: Array, box: Box, radius_m: float) -> Array:
    """Return (k,) shares of a step, between `low` and `high`, at which balls first come within a radius of a box.

    A ball that touches at the start counts only after it has been clear. NEVER means no touch.
    """
    paths, width = (x, y, z), high - low
    speed = np.sqrt(sum(np.square(np.abs(c[:-1]).sum(axis=0)) for c in paths))
    count = int(min(max(float((speed * width).max()) / SAMPLE_M, 16.0), MOST_SAMPLES)) + 2
    found = np.ones(len(low), dtype=bool)
    for cut in (np.linspace(0.0, 1.0, count)[:, None], *_FINER):
        s = low + width * cut
        place = [value(c, s) for c in paths]
        gap = sum((a - b) ** 2 for a, b in zip(place, nearest_on(box, *place), strict=True)) - radius_m**2
        enters = (gap[:-1] > 0.0) & (gap[1:] <= 0.0)
        found &= enters.any(axis=0)
        first = enters.argmax(axis=0)
        low = low + width * cut[first, 0]
        width = width / (len(cut) - 1)
    return np.where(found, low + width, NEVER)
