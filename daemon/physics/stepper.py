"""One step of free flight, and its path: the only integrator, for one ball in floats and for many in arrays.

A step is an eighth-order Runge-Kutta step that may hold a whole flight to the table (`EIGHTH`). Inside it the path
is a polynomial of the same rule, and every event is a root of that path. The lift law has a corner where its
coefficient reaches the cap. A step keeps to one side of the corner; whoever flies a ball ends the step where the path
passes the corner (`Step.corner`) and goes on with the other side.
"""

import math
from typing import Any, NamedTuple

import numpy as np

from drillfeed.daemon.physics.bounce import Vector
from drillfeed.daemon.physics.eighth_order import EIGHTH, Rule
from drillfeed.daemon.physics.motion import TINY, Coefficients, Lift, corner_mps, lift_of, pull
from drillfeed.daemon.physics.numbers import Numbers, not_
from drillfeed.daemon.physics.roots import NEVER, Curve, slope, slope_curve, value, value_and_slope
from drillfeed.daemon.physics.table import TABLE_HEIGHT_M, TABLE_LENGTH_M

MIN_PACE_MPS = 1.0  # a ball that hardly moves turns at once
SLANT_SINE = 0.9
MIN_SLANT = 1.0 / 64.0
BEYOND_M = 0.15  # past the end line, where a ball that is too long is known to be so
OVER = 1.04  # a last step goes a little past the place where the ball should come down
CORNER_MPS2 = 1e-9  # m^2/s^2: a path that only touches the corner does not pass it
SOONEST = 1e-6  # of a step: a corner passed there has just been passed


class Spin(NamedTuple):
    """Hold spin for the steps to come: its axis (unit vector), size in rad/s, and 1.0 where the lift is at its cap."""

    axis: Any
    size: Any
    capped: Any

    def of(self, rows: Any) -> "Spin":
        """Return the spin of some of the balls."""
        return Spin(self.axis.take(rows, axis=1), self.size[rows], self.capped[rows])

    def update(self, rows: Any, new: "Spin") -> None:
        """Give some of the balls a new spin."""
        self.axis[:, rows], self.size[rows], self.capped[rows] = new


class Step(NamedTuple):
    """Hold one step: its time, place and velocity at its end, the path (coefficients, each a vector), the corner.

    `corner` is the share of the step at which the path passes the corner of the lift law, NEVER if it does not. What
    comes after it is not the ball's path.
    """

    time_s: Any
    place: Any
    velocity: Any
    path: Any
    corner: Any

    def curve(self, axis: int, rows: Any = None) -> Curve:
        """Return the path along one axis, perhaps of some of the balls."""
        if rows is None:
            return self.path[:, axis] if isinstance(self.path, np.ndarray) else [part[axis] for part in self.path]
        return self.path[:, axis].take(rows, axis=1)

    def at(self, share: float) -> tuple[Vector, Vector]:
        """Return place and velocity of one ball at a share of the step."""
        x, y, z = self.curve(0), self.curve(1), self.curve(2)
        place = value(x, share), value(y, share), value(z, share)
        return place, (slope(x, share) / self.time_s, slope(y, share) / self.time_s, slope(z, share) / self.time_s)

    def at_many(self, share: Any, rows: Any) -> tuple[Any, Any]:
        """Return places and velocities, (3, k), of some of the balls at their shares of the step."""
        place, pace = value_and_slope(self.path.take(rows, axis=2), share[rows])
        return place, pace / self.time_s[rows]


def spin_of(v: Any, w: Any, law: Coefficients) -> Spin:
    """Return the spin of a ball, or of n balls, as steps need it, from velocity and spin in rad/s."""
    size = (w[0] * w[0] + w[1] * w[1] + w[2] * w[2]) ** 0.5
    speed = (v[0] * v[0] + v[1] * v[1] + v[2] * v[2]) ** 0.5
    capped = 1.0 * (speed <= corner_mps(size, law))
    axis = (w[0] / (size + TINY), w[1] / (size + TINY), w[2] / (size + TINY))
    return Spin(np.array(axis) if isinstance(size, np.ndarray) else axis, size, capped)


def take_step(
    p: Any,
    v: Any,
    spin: Spin,
    law: Coefficients,
    numbers: Numbers,
    rough: float = 1.0,
    max_s: Any = math.inf,
    rule: Rule = EIGHTH,
) -> Step:
    """Return the next step of a ball at p (m) with velocity v (m/s): three floats each, or (3, n) arrays.

    Its length follows from the state alone. `rough` lengthens it, `max_s` bounds it. With another `rule` than the
    usual one it is a first look: the corner of the lift law is passed as it comes.
    """
    exact = rule is EIGHTH
    lift = lift_of(spin.size, spin.capped, law) if exact else Lift(law.lift_by_spin * spin.size, law.max_lift_per_m)
    slopes = numbers.room(v, len(rule.slots))
    start = numbers.vector(pull(v, spin.axis, lift, law, numbers.lesser))
    slopes[rule.slots[0]] = start
    h = numbers.lesser(_length_s(p, v, start, spin, law, numbers, rule, rough), max_s)
    end, finish = v, start
    for stage, row in enumerate(rule.stages, 1):
        velocity = numbers.blend(v, h, row, slopes)
        faded = _faded(lift, rule.moments[stage] * h, law)
        own = numbers.vector(pull(velocity, spin.axis, faded, law, numbers.lesser))
        slopes[rule.slots[stage]] = own
        if stage == rule.last_stage:
            end, finish = velocity, own
    path = numbers.path(p, v, h, rule.path, slopes)
    place = numbers.total(path)
    corner = _corner(v, start, end, finish, path, spin, h, law, numbers) if exact else NEVER + 0.0 * h
    return Step(h, place, end, path, corner)


def _faded(lift: Lift, time_s: Any, law: Coefficients) -> Lift:
    return Lift(lift.by_speed * fade(time_s, law), lift.by_square) if law.fade_pers else lift


def fade(time_s: Any, law: Coefficients) -> Any:
    """Return the share of spin left after a time; written as a power of e, which takes floats and arrays."""
    return math.e ** (-law.fade_pers * time_s)


def _length_s(
    p: Any, v: Any, pull_: Any, spin: Spin, law: Coefficients, numbers: Numbers, rule: Rule, rough: float
) -> Any:
    """Return the time of the next step: equal parts of what is left until the ball should be down or past the table.

    In a first look the steps do not depend on what is left, so that its figures have no jumps.
    A step is shorter where the ball is slow, since gravity then turns it sooner, and where spin lies near the line of
    flight, since omega x v then turns faster: the equation has the full lift there.
    """
    vx, vy, vz = v
    speed = (vx * vx + vy * vy + vz * vz) ** 0.5
    most = rough * numbers.lesser(
        rule.max_step_m / (speed + TINY), rule.max_turn_rad * (speed + MIN_PACE_MPS) / (law.gravity_mps2 + TINY)
    )
    if rule is EIGHTH:
        left = _left_s(p, v, pull_, speed, most, law, numbers)
        most = _slanted(most, numbers.lesser(left, most), v, speed, spin, law, numbers)
        return left / numbers.ceil(left / most)
    return _slanted(most, most, v, speed, spin, law, numbers)


def _left_s(p: Any, v: Any, pull_: Any, speed: Any, most: Any, law: Coefficients, numbers: Numbers) -> Any:
    """Return about how long it takes until the ball is down or past the table."""
    vx, _, vz = v
    height = p[2] - law.radius_m
    height = numbers.choose(height >= 0.0, height, height + TABLE_HEIGHT_M)
    # The drag up and down nearly cancels over a flight.
    falls = numbers.greater(-pull_[2] - law.drag_per_m * speed * vz, law.gravity_mps2 / 3.0 + 1e-3)
    down = (vz + (vz * vz + 2.0 * falls * numbers.greater(height, 0.0)) ** 0.5) / falls
    down = numbers.choose(height >= 0.0, down, most)
    way = TABLE_LENGTH_M + BEYOND_M - p[0]
    along_m = numbers.greater(way, 0.0) / numbers.greater(vx / (speed + TINY), 1e-3)
    lost = law.drag_per_m * along_m  # time grows by exp(drag x way), here to its third power
    past = along_m * (1.0 + lost * (0.5 + lost / 6.0)) / (speed + TINY)
    return OVER * numbers.choose((way > 0.0) & (past < down), past, down) + 1e-4


def _slanted(most: Any, time_s: Any, v: Any, speed: Any, spin: Spin, law: Coefficients, numbers: Numbers) -> Any:
    """Return the longest step, shortened where spin lies near the line of flight now or, by gravity, after a time."""
    if law.by_volume:
        return most
    nx, ny, nz = spin.axis
    sink = law.gravity_mps2 * time_s
    along = nx * v[0] + ny * v[1] + nz * v[2]
    later = along - nz * sink
    now = along * along / (speed * speed + TINY)
    then = later * later / (speed * speed + sink * (sink - 2.0 * v[2]) + TINY)
    sine = numbers.greater(1.0 - numbers.greater(now, then), 0.0) ** 0.5
    return most * numbers.greater(numbers.lesser(sine / SLANT_SINE, 1.0), MIN_SLANT)


def _corner(
    v: Any, start: Any, end: Any, finish: Any, path: Any, spin: Spin, h: Any, law: Coefficients, numbers: Numbers
) -> Any:
    """Return where the path passes the corner of the lift law.

    That is where the square of the speed, less the square of the corner's, changes its sign: a curve of fourth degree
    with the values and slopes of both ends and the value in the middle.
    """
    limit = corner_mps(spin.size, law)
    square = limit * abs(limit)  # negative: no corner
    after = square * fade(2.0 * h, law) if law.fade_pers else square
    sign = 1.0 - 2.0 * spin.capped  # the speed falls to the corner where the lift is below its cap
    less = sign * (v[0] * v[0] + v[1] * v[1] + v[2] * v[2] - square)
    more = sign * (end[0] * end[0] + end[1] * end[1] + end[2] * end[2] - after)
    lost = 2.0 * law.fade_pers * h
    rate = 2.0 * h * sign * (v[0] * start[0] + v[1] * start[1] + v[2] * start[2]) + sign * lost * square
    late = 2.0 * h * sign * (end[0] * finish[0] + end[1] * finish[1] + end[2] * finish[2]) + sign * lost * after
    passes = more < -CORNER_MPS2
    dips = not_(passes) & (rate < 0.0) & (late > 0.0)

    def middle(path: Any, h: Any, square: Any, sign: Any) -> Any:
        x, y, z = (slope(numbers.curve(path, axis), 0.5) / h for axis in range(3))
        return sign * (x * x + y * y + z * z - (square * fade(h, law) if law.fade_pers else square))

    def curve(less: Any, rate: Any, more: Any, late: Any, half: Any) -> Curve:
        rise = more - less
        c3, c2 = rate + late - 2.0 * rise, 3.0 * rise - 2.0 * rate - late
        c4 = 16.0 * (half - (0.125 * c3 + 0.25 * c2 + 0.5 * rate + less))
        return numbers.vector((c4, c3 - 2.0 * c4, c2 + c4, rate, less))

    def place(dips: Any, path: Any, h: Any, square: Any, sign: Any, less: Any, rate: Any, more: Any, late: Any) -> Any:
        speeds = curve(less, rate, more, late, middle(path, h, square, sign))
        turn = numbers.where_so(dips, numbers.find, slope_curve(speeds), 0.0, 1.0, 0.0, -1.0)
        high = numbers.choose(dips, turn, 1.0)
        falls = not_(dips) | (value(speeds, high) < -CORNER_MPS2)
        return numbers.where_so(falls, numbers.find, speeds, 0.0, high, 0.0, 1.0)

    at = numbers.where_so(passes | dips, place, dips, path, h, square, sign, less, rate, more, late)
    return numbers.choose(at < SOONEST, NEVER, at)
