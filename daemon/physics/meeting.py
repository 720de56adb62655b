"""What a ball meets first inside a step: table, floor, net, edge, or the corner of the lift law.

Written once for one ball in floats and for many in arrays. Steps are longer than the table is wide, so every search is
for a root of the path, and a sphere is held against net and edge only in the part of a step where it may touch them.
"""

from typing import Any, NamedTuple

from drillfeed.daemon.physics.numbers import Numbers, not_
from drillfeed.daemon.physics.roots import NEVER, Curve, slope, slope_curve, value
from drillfeed.daemon.physics.stepper import Step
from drillfeed.daemon.physics.table import (
    HALF_WIDTH_M,
    NET_BOX,
    NET_HEIGHT_M,
    NET_X_M,
    TABLE_BOX,
    TABLE_HEIGHT_M,
    TABLE_LENGTH_M,
    over_table,
)
from drillfeed.daemon.physics.touch import SAG_M, clears_tape

NEAR_NET_M = 0.05  # a ball whose centre is farther from the net's plane than this does not touch it
NOTHING, TABLE, FLOOR, NET, EDGE, CORNER = range(6)


class Meeting(NamedTuple):
    """Hold the share of a step at which it ends early, NEVER if it does not, and what the ball meets there.

    `beside` is where it comes down to the height of a touch past the table, `net` where it passes the net's plane;
    either counts only before `at`.
    """

    at: Any
    kind: Any
    beside: Any
    net: Any


def first_meeting(step: Step, p: Any, radius_m: float, numbers: Numbers) -> Meeting:
    """Return what the ball meets first in a step that begins at `p`."""
    x, y, z = step.curve(0), step.curve(1), step.curve(2)
    at, kind = step.corner, numbers.choose(step.corner < NEVER, CORNER, NOTHING)
    level = falls_through(z, radius_m, step.place[2], step.velocity[2], numbers)
    lands = level < at
    if numbers.any(lands):
        lands = lands & over_table(value(x, level), value(y, level))
        at, kind = numbers.choose(lands, level, at), numbers.choose(lands, TABLE, kind)
    beside = numbers.choose(lands, NEVER, level)
    floor_z = radius_m - TABLE_HEIGHT_M
    falls = (step.place[2] < floor_z) & (p[2] >= floor_z)
    if numbers.any(falls):
        floor = numbers.where_so(falls, numbers.find, z, 0.0, 1.0, floor_z, 1.0)
        at, kind = _sooner(floor, FLOOR, at, kind, numbers)
    net, touch = _net(step, p, radius_m, numbers)
    at, kind = _sooner(touch, NET, at, kind, numbers)
    outside = ((beside < at) | (p[2] < radius_m)) & (numbers.greater(p[2], step.place[2]) > -radius_m)
    if numbers.any(outside):
        edge = numbers.where_so(outside, _edge, numbers, step.path, p[2], beside, step.place[2], radius_m)
        at, kind = _sooner(edge, EDGE, at, kind, numbers)
    return Meeting(at, kind, beside, net)


def _edge(numbers: Numbers, path: Any, begin_z: Any, beside: Any, end_z: Any, radius_m: float) -> Any:
    """Return where balls touch the table's edge that come down beside it, or begin below its top."""
    x, y, z = (numbers.curve(path, axis) for axis in range(3))
    sinks = (end_z < -radius_m) & (begin_z >= -radius_m)
    end = numbers.lesser(numbers.where_so(sinks, numbers.find, z, 0.0, 1.0, -radius_m, 1.0), 1.0)
    begin = numbers.choose((begin_z < radius_m) | (beside > end), 0.0, beside)
    far = radius_m + SAG_M
    near = _reaches(value(x, begin), value(x, end), -far, TABLE_LENGTH_M + far, numbers)
    near = near & _reaches(value(y, begin), value(y, end), -HALF_WIDTH_M - far, HALF_WIDTH_M + far, numbers)
    return numbers.where_so(near, numbers.touch, path, begin, end, TABLE_BOX, radius_m)


def _reaches(one: Any, other: Any, low: float, high: float, numbers: Numbers) -> Any:
    return (numbers.lesser(one, other) <= high) & (numbers.greater(one, other) >= low)


def _sooner(new: Any, what: int, at: Any, kind: Any, numbers: Numbers) -> tuple[Any, Any]:
    first = new < at
    if not numbers.any(first):
        return at, kind
    return numbers.choose(first, new, at), numbers.choose(first, what, kind)


def _net(step: Step, p: Any, radius_m: float, numbers: Numbers) -> tuple[Any, Any]:
    """Return where the ball passes the net's plane forwards, and where it touches the net."""
    x, z, begin, end = step.curve(0), step.curve(2), p[0], step.place[0]
    passes = (begin < NET_X_M) & (end >= NET_X_M)
    net = numbers.where_so(passes, numbers.find, x, 0.0, 1.0, NET_X_M, -1.0)
    near = _reaches(begin, end, NET_X_M - radius_m, NET_X_M + radius_m, numbers)
    near = near & not_(passes & clears_tape(x, z, net, radius_m))
    touch = numbers.where_so(near, _touch, numbers, step.path, begin, end, passes, net, radius_m)
    return net, touch


def _touch(numbers: Numbers, path: Any, begin: Any, end: Any, passes: Any, net: Any, radius_m: float) -> Any:
    """Return where balls touch the net that come near its plane and are not clearly above it."""
    x, z = numbers.curve(path, 0), numbers.curve(path, 2)
    comes_back = (begin >= NET_X_M) & (end < NET_X_M)
    back = numbers.where_so(comes_back, numbers.find, x, 0.0, 1.0, NET_X_M, 1.0)
    beside = numbers.choose(comes_back, back, numbers.choose(begin <= NET_X_M - radius_m, 1.0, 0.0))
    middle = numbers.choose(passes, net, beside)
    wide = NEAR_NET_M / numbers.greater(abs(slope(x, middle)), 1e-9)
    low, high = numbers.greater(middle - wide, 0.0), numbers.lesser(middle + wide, 1.0)
    near = numbers.lesser(value(z, low), value(z, high)) < NET_HEIGHT_M + radius_m + SAG_M
    return numbers.where_so(near, numbers.touch, path, low, high, NET_BOX, radius_m)


def falls_through(z: Curve, level: float, end: Any, end_slope: Any, numbers: Numbers) -> Any:
    """Return where a curve first comes down through a level from above, NEVER if it does not in this step.

    `end` and `end_slope` are its value and the sign of its slope at s = 1. A curve that dips below and is back at the
    end, or is above only in between, is found by its turn.
    """
    begins_above, ends_above = z[-1] >= level, end >= level
    at = numbers.where_so(begins_above & not_(ends_above), numbers.find, z, 0.0, 1.0, level, 1.0)
    dips = begins_above & ends_above & (z[-2] < 0.0) & (end_slope > 0.0)
    if numbers.any(dips):
        at = numbers.choose(dips, numbers.where_so(dips, _by_its_turn, numbers, z, level, -1.0), at)
    peeps = not_(begins_above | ends_above) & (z[-2] > 0.0) & (end_slope < 0.0)
    if numbers.any(peeps):
        at = numbers.choose(peeps, numbers.where_so(peeps, _by_its_turn, numbers, z, level, 1.0), at)
    return at


def _by_its_turn(numbers: Numbers, z: Curve, level: float, sign: float) -> Any:
    """Return where curves fall through a level before their lowest (`sign` -1) or after their highest place (1)."""
    turn = numbers.find(slope_curve(z), 0.0, 1.0, 0.0, sign)
    crosses = sign * (value(z, turn) - level) > 0.0
    low, high = (turn, 1.0) if sign > 0.0 else (0.0, turn)
    return numbers.where_so(crosses, numbers.find, z, low, high, level, 1.0)
