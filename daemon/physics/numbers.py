"""What differs between one ball in floats and many balls in arrays, for code that is written once for both."""

import math
from collections.abc import Callable
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from drillfeed.daemon.physics.roots import NEVER, Curve, curve_of, find, find_many
from drillfeed.daemon.physics.table import Box
from drillfeed.daemon.physics.touch import first_touch

Array = NDArray[np.float64]
Flags = NDArray[np.bool_]
MOST_SLOPES = 8


class Numbers(NamedTuple):
    """Hold what differs between one ball in floats and many in arrays, for code that is written once for both."""

    least: Callable[[Any, Any], Any]
    most: Callable[[Any, Any], Any]
    ceil: Callable[[Any], Any]
    choose: Callable[[Any, Any, Any], Any]
    any: Callable[[Any], Any]
    fall: Callable[[Any, Curve, Any, Any], Any]
    """Return where curves fall through zero between two places, if a condition holds, else NEVER."""
    touch: Callable[[Any, tuple[Curve, Curve, Curve], Any, Any, Box, float], Any]
    """Return where balls first touch a box between two places, if a condition holds, else NEVER."""
    room: Callable[[Any], Any]
    """Return room for the slopes of a step from a vector: a list, or an array."""
    put: Callable[[Any, int, Any], Any]
    """Keep three components as a slope of a step, and return it as a vector."""
    blend: Callable[[Any, Any, tuple[float, ...], Any], Any]
    """Return a vector plus a time times the weighted sum of the first slopes of a step."""
    scaled: Callable[[Any, Any], Any]
    """Return a vector times a number."""
    added: Callable[[Any, Any], Any]
    """Return the sum of two vectors."""
    curves: Callable[..., Curve]
    """Return `curve_of` for vectors: six coefficients, each a vector."""


def _fall(wanted: bool, c: Curve, low: float, high: float) -> float:
    return find(c, low, high) if wanted else NEVER


def _falls(wanted: Flags, c: Curve, low: Any, high: Any) -> Array:
    found = np.full(len(wanted), NEVER)
    rows = np.flatnonzero(wanted)
    if len(rows):
        ends = (np.broadcast_to(end, found.shape)[rows] for end in (low, high))
        found[rows] = find_many(tuple(a[rows] for a in c), *ends)  # type: ignore[arg-type]
    return found


def _touch(wanted: bool, paths: Any, low: float, high: float, box: Box, radius_m: float) -> float:
    if not wanted:
        return NEVER
    single = tuple(tuple(np.array([a]) for a in path) for path in paths)
    return float(first_touch(single, np.array([low]), np.array([high]), box, radius_m)[0])  # type: ignore[arg-type]


def _touches(wanted: Flags, paths: Any, low: Any, high: Any, box: Box, radius_m: float) -> Array:
    found = np.full(len(wanted), NEVER)
    rows = np.flatnonzero(wanted)
    if len(rows):
        ends = (np.broadcast_to(end, found.shape)[rows] for end in (low, high))
        some = tuple(tuple(a[rows] for a in path) for path in paths)
        found[rows] = first_touch(some, *ends, box, radius_m)  # type: ignore[arg-type]
    return found


def _choose(test: bool, this: float, other: float) -> float:
    return this if test else other


def _blend(v: Any, h: float, weights: tuple[float, ...], slopes: Any) -> tuple[float, float, float]:
    x = y = z = 0.0
    for weight, (along, aside, up) in zip(weights, slopes, strict=False):
        if weight:
            x, y, z = x + weight * along, y + weight * aside, z + weight * up
    return v[0] + h * x, v[1] + h * y, v[2] + h * z


def _scaled(v: Any, factor: float) -> tuple[float, float, float]:
    return v[0] * factor, v[1] * factor, v[2] * factor


def _added(v: Any, other: Any) -> tuple[float, float, float]:
    return v[0] + other[0], v[1] + other[1], v[2] + other[2]


def _put(slopes: list[Any], place: int, slope: Any) -> Any:
    slopes.append(slope)
    return slope


def _room(v: Array) -> Array:
    return np.empty((MOST_SLOPES, *v.shape))


def _put_many(slopes: Array, place: int, slope: Any) -> Array:
    for axis, part in enumerate(slope):
        slopes[place, axis] = part
    kept: Array = slopes[place]
    return kept


def _blend_many(v: Array, h: Array, weights: tuple[float, ...], slopes: Array) -> Array:
    count = len(weights)
    total: Array = np.einsum("i,ij->j", np.array(weights), slopes[:count].reshape(count, -1)).reshape(v.shape)
    total *= h
    total += v
    return total


def _curves(*ends: Any) -> Curve:
    return tuple(zip(*(curve_of(*(end[i] for end in ends)) for i in range(3)), strict=True))  # type: ignore[return-value]


FLOATS = Numbers(min, max, math.ceil, _choose, bool, _fall, _touch, lambda v: [], _put, _blend, _scaled, _added, _curves)
ARRAYS = Numbers(np.minimum, np.maximum, np.ceil, np.where, np.any, _falls, _touches, _room, _put_many, _blend_many, np.multiply, np.add, curve_of)


def not_(test: Any) -> Any:
    """Return the opposite of a bool or of an array of them."""
    return test ^ True
