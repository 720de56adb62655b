"""What a ball meets first inside a step: table, floor, net, edge, or the corner of the lift law.

Written once for one ball in floats and for many in arrays. Steps are longer than the table is wide, so every search is
for a root of the path, and a sphere is held against net and edge only in the part of a step where it may touch them.
"""

from typing import Any, NamedTuple

from drillfeed.daemon.physics.numbers import Numbers, not_
from drillfeed.daemon.physics.roots import NEVER, Curve, above, below, slope, slope_curve, value
from drillfeed.daemon.physics.stepper import Step
from drillfeed.daemon.physics.table import (
    NET_BOX,
    NET_HEIGHT_M,
    NET_X_M,
    TABLE_BOX,
    TABLE_HEIGHT_M,
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
    level = falls_through(above(z, radius_m), step.place[2] - radius_m, step.velocity[2], numbers)
    lands = (level < at) & over_table(value(x, level), value(y, level))
    at, kind = numbers.choose(lands, level, at), numbers.choose(lands, TABLE, kind)
    beside = numbers.choose(lands, NEVER, level)
    low = step.place[2] < radius_m
    if numbers.any(low):
        floor_z = radius_m - TABLE_HEIGHT_M
        floor = numbers.fall((step.place[2] < floor_z) & (p[2] >= floor_z), above(z, floor_z), 0.0, 1.0)
        at, kind = _sooner(floor, FLOOR, at, kind, numbers)
    net, touch = _net(step, p, radius_m, numbers)
    at, kind = _sooner(touch, NET, at, kind, numbers)
    outside = ((beside < at) | (p[2] < radius_m)) & (numbers.most(p[2], step.place[2]) > -radius_m)
    if numbers.any(outside):
        sinks = outside & (step.place[2] < -radius_m) & (p[2] >= -radius_m)
        end = numbers.least(numbers.fall(sinks, above(z, -radius_m), 0.0, 1.0), 1.0)
        begin = numbers.choose((p[2] < radius_m) | (beside > end), 0.0, beside)
        edge = numbers.touch(outside, (x, y, z), begin, end, TABLE_BOX, radius_m)
        at, kind = _sooner(edge, EDGE, at, kind, numbers)
    return Meeting(at, kind, beside, net)


def _window_at_net(x: Curve, at: Any, numbers: Numbers) -> tuple[Any, Any]:
    """Return the part of a step, (low, high), in which a ball that passes the net's plane at `at` is near the net."""
    wide = NEAR_NET_M / numbers.most(abs(slope(x, at)), 1e-9)
    return numbers.most(at - wide, 0.0), numbers.least(at + wide, 1.0)


def _sooner(new: Any, what: int, at: Any, kind: Any, numbers: Numbers) -> tuple[Any, Any]:
    first = new < at
    return numbers.choose(first, new, at), numbers.choose(first, what, kind)


def _net(step: Step, p: Any, radius_m: float, numbers: Numbers) -> tuple[Any, Any]:
    """Return where the ball passes the net's plane forwards, and where it touches the net."""
    x, z, begin, end = step.curve(0), step.curve(2), p[0], step.place[0]
    passes = (begin < NET_X_M) & (end >= NET_X_M)
    net = numbers.fall(passes, below(x, NET_X_M), 0.0, 1.0)
    near = (numbers.least(begin, end) <= NET_X_M + radius_m) & (numbers.most(begin, end) >= NET_X_M - radius_m)
    near = near & not_(passes & clears_tape(x, z, net, radius_m))
    touch = numbers.choose(near, NEVER, NEVER)
    if not numbers.any(near):
        return net, touch
    comes_back = (begin >= NET_X_M) & (end < NET_X_M)
    beside = numbers.choose(begin <= NET_X_M - radius_m, 1.0, 0.0)
    middle = numbers.choose(comes_back, numbers.fall(comes_back, above(x, NET_X_M), 0.0, 1.0), beside)
    low, high = _window_at_net(x, numbers.choose(passes, net, middle), numbers)
    near = near & (numbers.least(value(z, low), value(z, high)) < NET_HEIGHT_M + radius_m + SAG_M)
    return net, numbers.touch(near, (x, step.curve(1), z), low, high, NET_BOX, radius_m)


def falls_through(z: Curve, end: Any, end_slope: Any, numbers: Numbers) -> Any:
    """Return where a curve first comes down through zero from above, NEVER if it does not in this step.

    `end` and `end_slope` are its value and slope at s = 1. A curve that dips below and is back at the end, or is above
    only in between, is found by its turn.
    """
    begins_above, ends_above = z[5] >= 0.0, end >= 0.0
    at = numbers.fall(begins_above & (not_(ends_above)), z, 0.0, 1.0)
    dips = begins_above & ends_above & (z[4] < 0.0) & (end_slope > 0.0)
    if numbers.any(dips):
        turn = numbers.fall(dips, slope_curve(z, -1.0), 0.0, 1.0)
        dips = dips & (value(z, turn) < 0.0)
        at = numbers.choose(dips, numbers.fall(dips, z, 0.0, turn), at)
    peeps = not_(begins_above | ends_above) & (z[4] > 0.0) & (end_slope < 0.0)
    if numbers.any(peeps):
        turn = numbers.fall(peeps, slope_curve(z), 0.0, 1.0)
        peeps = peeps & (value(z, turn) >= 0.0)
        at = numbers.choose(peeps, numbers.fall(peeps, z, turn, 1.0), at)
    return at
