"""What differs between one ball in floats and many balls in arrays, for code that is written once for both.

A vector is three floats, or an array (3, n). `Floats` and `Arrays` offer the same functions.
"""

import math
from collections.abc import Callable
from typing import Any

import numpy as np
from numpy.typing import NDArray

from drillfeed.daemon.physics.eighth_order import Row
from drillfeed.daemon.physics.roots import NEVER, Curve, find, find_many
from drillfeed.daemon.physics.table import Box
from drillfeed.daemon.physics.touch import first_touch

Array = NDArray[np.float64]


class Floats:
    """One ball."""

    lesser: Callable[..., Any] = staticmethod(min)
    greater: Callable[..., Any] = staticmethod(max)
    ceil: Callable[..., Any] = staticmethod(math.ceil)
    any: Callable[..., Any] = staticmethod(bool)
    find: Callable[..., Any] = staticmethod(find)

    @staticmethod
    def choose(test: Any, this: Any, other: Any) -> Any:
        """Return one of two numbers."""
        return this if test else other

    @staticmethod
    def where_so(test: Any, work: Callable[..., Any], *values: Any) -> Any:
        """Return what `work` finds from some values if a test holds, else NEVER."""
        return work(*values) if test else NEVER

    @staticmethod
    def touch(path: Any, low: Any, high: Any, box: Box, radius_m: float) -> Any:
        """Return where the ball first touches a box: `touch.first_touch`."""
        ends = np.array([low]), np.array([high])
        return float(first_touch(np.array(path)[:, :, None], *ends, box, radius_m)[0])

    @staticmethod
    def vector(parts: Any) -> Any:
        """Return components as a vector, coefficients as a curve."""
        return tuple(parts)

    @staticmethod
    def room(v: Any, slots: int) -> Any:
        """Return room for the slopes of a step."""
        return [v] * slots

    @staticmethod
    def blend(v: Any, h: float, row: Row, slopes: Any) -> Any:
        """Return a vector plus a time times a weighted sum of slopes."""
        x = y = z = 0.0
        for slot, weight in row.terms:
            along, aside, up = slopes[slot]
            x += weight * along
            y += weight * aside
            z += weight * up
        return v[0] + h * x, v[1] + h * y, v[2] + h * z

    @staticmethod
    def path(p: Any, v: Any, h: float, rows: tuple[Row, ...], slopes: Any) -> Any:
        """Return the coefficients of the path of the place, each a vector: h^2 weighted sums of slopes, h v, p."""
        zero, square = (0.0, 0.0, 0.0), h * h
        parts = [Floats.blend(zero, square, row, slopes) for row in rows]
        return [*parts, (h * v[0], h * v[1], h * v[2]), p]

    @staticmethod
    def total(path: Any) -> Any:
        """Return where a path ends: the sum of its coefficients."""
        return tuple(sum(part[axis] for part in path) for axis in range(3))

    @staticmethod
    def curve(path: Any, axis: int) -> Curve:
        """Return the path along one axis."""
        return [part[axis] for part in path]


class Arrays:
    """Many balls: numbers are (n,) arrays. An instance keeps its room from step to step, which saves time."""

    def __init__(self) -> None:
        self._slopes = self._path = np.empty(0)

    lesser: Callable[..., Any] = staticmethod(np.minimum)
    greater: Callable[..., Any] = staticmethod(np.maximum)
    ceil: Callable[..., Any] = staticmethod(np.ceil)
    choose: Callable[..., Any] = staticmethod(np.where)
    any: Callable[..., Any] = staticmethod(np.any)
    find: Callable[..., Any] = staticmethod(find_many)
    touch: Callable[..., Any] = staticmethod(first_touch)

    @staticmethod
    def where_so(test: Any, work: Callable[..., Any], *values: Any) -> Array:
        """Return, for each ball, what `work` finds from its values if a test holds, else NEVER."""
        found = np.full(len(test), NEVER)
        rows = np.flatnonzero(test)
        if len(rows):
            found[rows] = work(*(some(value, rows) for value in values))
        return found

    @staticmethod
    def vector(parts: Any) -> Array:
        """Return components as a vector, coefficients as a curve."""
        return np.array(tuple(parts))

    def room(self, v: Array, slots: int) -> Array:
        """Return room for the slopes of a step; what stood there before is lost."""
        size = slots * v.size
        if self._slopes.size < size:
            self._slopes = np.empty(size)
        return self._slopes[:size].reshape(slots, *v.shape)

    @staticmethod
    def blend(v: Array, h: Array, row: Row, slopes: Array) -> Array:
        """Return vectors plus times that multiply a weighted sum of slopes."""
        total = _sum(row, slopes)
        total *= h
        total += v
        return total

    def path(self, p: Array, v: Array, h: Array, rows: tuple[Row, ...], slopes: Array) -> Array:
        """Return the coefficients of the paths of the places: h^2 weighted sums of slopes, h v, p.

        The next step's path takes its room.
        """
        size = (len(rows) + 2) * v.size
        if self._path.size < size:
            self._path = np.empty(size)
        path = self._path[:size].reshape(len(rows) + 2, *v.shape)
        for part, row in zip(path, rows, strict=False):
            np.multiply(_sum(row, slopes), h * h, out=part)
        np.multiply(v, h, out=path[-2])
        path[-1] = p
        return path

    @staticmethod
    def total(path: Array) -> Array:
        """Return where paths end: the sum of their coefficients."""
        total: Array = path.sum(axis=0)
        return total

    @staticmethod
    def curve(path: Array, axis: int) -> Curve:
        """Return the paths along one axis."""
        return path[:, axis]


Numbers = Floats | Arrays
FLOATS = Floats()


def _sum(row: Row, slopes: Array) -> Array:
    count = len(row.weights)
    used = slopes[row.first : row.first + count]
    total: Array = np.einsum("i,ij->j", np.array(row.weights), used.reshape(count, -1))
    return total.reshape(slopes.shape[1:])


def some(value: Any, rows: Any) -> Any:
    """Return the columns of some of the balls; a single figure holds for all."""
    return value.take(rows, axis=-1) if isinstance(value, np.ndarray) else value


def not_(test: Any) -> Any:
    """Return the opposite of a bool or of an array of them."""
    return test ^ True
