"""One step of free flight, and its path: the only integrator, for one ball in floats and for many in arrays.

A step is a sixth-order Runge-Kutta step of more than a metre (`MOST_M`). Inside it the path is the polynomial of fifth
degree with the positions, velocities and accelerations of both ends, and every event is a root of that path. The lift
law has a corner where its coefficient reaches the cap. A step keeps to one side of the corner; whoever flies a ball ends
the step where the path passes the corner (`Step.corner`) and goes on with the other side.
"""

import math
from typing import Any, NamedTuple

import numpy as np

from drillfeed.daemon.physics.bounce import Vector
from drillfeed.daemon.physics.motion import TINY, Coefficients, Lift, corner_mps, lift_of, pull
from drillfeed.daemon.physics.numbers import Numbers, not_
from drillfeed.daemon.physics.roots import NEVER, Curve, slope, slope_curve, value
from drillfeed.daemon.physics.table import TABLE_HEIGHT_M

# At these lengths the error of a step is a few micrometres at most over the valid range (tests/physics).
MOST_M = 1.5
MOST_TURN = 0.5  # radians, about: by gravity in a step
LEAST_MPS = 1.0  # a ball that hardly moves turns at once
SLANT_SINE = 0.8
SLANT_LEAST = 1.0 / 64.0
OVER = 1.02  # a last step goes a little past the place where the ball should come down

# Butcher 1964, "On Runge-Kutta processes of high order", J. Austral. Math. Soc. 4:179: seven stages, order six. Each row
# has the weights of the earlier stages.
STAGES: tuple[tuple[float, ...], ...] = (
    (1 / 3,),
    (0.0, 2 / 3),
    (1 / 12, 1 / 3, -1 / 12),
    (-1 / 16, 9 / 8, -3 / 16, -3 / 8),
    (0.0, 9 / 8, -3 / 8, -3 / 4, 1 / 2),
    (9 / 44, -9 / 11, 63 / 44, 18 / 11, 0.0, -16 / 11),
)
MOMENTS = (0.0, 1 / 3, 2 / 3, 1 / 3, 1 / 2, 1 / 2, 1.0)
END = (11 / 120, 0.0, 27 / 40, 27 / 40, -4 / 15, -4 / 15, 11 / 120)
# The force does not depend on the place, so the place follows from the same slopes (Nystroem's form).
PLACE = tuple(sum(END[i] * STAGES[i - 1][j] for i in range(j + 1, 7)) for j in range(6))
CORNER_MPS2 = 1e-9  # m^2/s^2: a path that only touches the corner does not pass it
SOONEST = 1e-6  # of a step: a corner passed there has just been passed


class Spin(NamedTuple):
    """Hold spin for the steps to come: its axis (unit vector), size in rad/s, and 1.0 where the lift is at its cap."""

    axis: Any
    size: Any
    capped: Any

    def of(self, rows: Any) -> "Spin":
        """Return the spin of some of the balls."""
        return Spin(self.axis[:, rows], self.size[rows], self.capped[rows])

    def update(self, rows: Any, new: "Spin") -> None:
        """Give some of the balls a new spin."""
        self.axis[:, rows], self.size[rows], self.capped[rows] = new


class Step(NamedTuple):
    """Hold one step: its time, place and velocity at its end, the path (six coefficients, each a vector), the corner.

    `corner` is the share of the step at which the path passes the corner of the lift law, NEVER if it does not. What
    comes after it is not the ball's path.
    """

    time_s: Any
    place: Any
    velocity: Any
    path: Curve
    corner: Any

    def curve(self, axis: int, rows: Any = None) -> Curve:
        """Return the path along one axis, perhaps of some of the balls."""
        parts = self.path
        if rows is None:
            return parts[0][axis], parts[1][axis], parts[2][axis], parts[3][axis], parts[4][axis], parts[5][axis]
        return tuple(part[axis][rows] for part in parts)  # type: ignore[return-value]

    def at(self, share: float) -> tuple[Vector, Vector]:
        """Return place and velocity of one ball at a share of the step."""
        x, y, z = self.curve(0), self.curve(1), self.curve(2)
        place = value(x, share), value(y, share), value(z, share)
        return place, (slope(x, share) / self.time_s, slope(y, share) / self.time_s, slope(z, share) / self.time_s)

    def at_many(self, share: Any, rows: Any) -> tuple[Any, Any]:
        """Return places and velocities, (3, k), of some of the balls at their shares of the step."""
        s, path = share[rows], tuple(part[:, rows] for part in self.path)
        return value(path, s), slope(path, s) / self.time_s[rows]  # type: ignore[arg-type]


def spin_of(v: Any, w: Any, law: Coefficients) -> Spin:
    """Return the spin of a ball, or of n balls, as steps need it, from velocity and spin in rad/s."""
    size = (w[0] * w[0] + w[1] * w[1] + w[2] * w[2]) ** 0.5
    speed = (v[0] * v[0] + v[1] * v[1] + v[2] * v[2]) ** 0.5
    capped = 1.0 * (speed <= corner_mps(size, law))
    axis = (w[0] / (size + TINY), w[1] / (size + TINY), w[2] / (size + TINY))
    return Spin(np.array(axis) if isinstance(size, np.ndarray) else axis, size, capped)


def take_step(
    p: Any, v: Any, spin: Spin, law: Coefficients, numbers: Numbers, rough: float = 1.0, most_s: Any = math.inf
) -> Step:
    """Return the next step of a ball at p (m) with velocity v (m/s): three floats each, or (3, n) arrays.

    Its length follows from the state alone. `rough` lengthens it for a first look, `most_s` bounds it.
    """
    lift, slopes = lift_of(spin.size, spin.capped, law), numbers.room(v)
    start = numbers.put(slopes, 0, pull(v, spin.axis, lift, law))
    h = numbers.least(_length_s(p, v, start, spin, law, numbers, rough), most_s)
    for stage, weights in enumerate(STAGES, 1):
        numbers.put(slopes, stage, pull(numbers.blend(v, h, weights, slopes), spin.axis, _faded(lift, MOMENTS[stage] * h, law), law))
    velocity = numbers.blend(v, h, END, slopes)
    place = numbers.added(numbers.blend(p, h * h, PLACE, slopes), numbers.scaled(v, h))
    finish = numbers.put(slopes, 7, pull(velocity, spin.axis, _faded(lift, h, law), law))
    square = h * h
    path = numbers.curves(
        p,
        numbers.scaled(v, h),
        numbers.scaled(start, square),
        place,
        numbers.scaled(velocity, h),
        numbers.scaled(finish, square),
    )
    return Step(h, place, velocity, path, _corner(v, start, velocity, finish, spin, h, law, numbers))


def _faded(lift: Lift, time_s: Any, law: Coefficients) -> Lift:
    return Lift(lift.by_speed * fade(time_s, law), lift.by_square) if law.fade_pers else lift


def fade(time_s: Any, law: Coefficients) -> Any:
    """Return the share of spin left after a time; written as a power of e, which takes floats and arrays."""
    return math.e ** (-law.fade_pers * time_s)


def _length_s(p: Any, v: Any, pull_: Any, spin: Spin, law: Coefficients, numbers: Numbers, rough: float) -> Any:
    """Return the time of the next step: equal parts of what is left until the ball should come down.

    A step is shorter where the ball is slow, since gravity then turns it sooner, and where spin lies near the line of
    flight, since omega x v then turns faster: the equation has the full lift there.
    """
    vx, vy, vz = v
    nx, ny, nz = spin.axis
    speed = (vx * vx + vy * vy + vz * vz) ** 0.5
    along = nx * vx + ny * vy + nz * vz
    most = numbers.least(MOST_M / (speed + TINY), MOST_TURN * (speed + LEAST_MPS) / (law.gravity_mps2 + TINY))
    if not law.by_volume:
        sine = numbers.most(1.0 - (along / (speed + TINY)) ** 2, 0.0) ** 0.5
        share = numbers.most(numbers.least(sine / SLANT_SINE, 1.0), SLANT_LEAST)
        most = most * numbers.choose(spin.size > 0.0, share, 1.0)
    most = rough * most
    r = law.radius_m
    height = numbers.choose(p[2] >= r, p[2] - r, numbers.most(p[2] + TABLE_HEIGHT_M - r, 0.0))
    falls = numbers.most(-pull_[2], law.gravity_mps2 / 3.0 + 1e-3)
    left = OVER * (vz + (vz * vz + 2.0 * falls * height) ** 0.5) / falls + 1e-4
    return left / numbers.ceil(left / most)


def _corner(
    v: Any, start: Any, velocity: Any, finish: Any, spin: Spin, h: Any, law: Coefficients, numbers: Numbers
) -> Any:
    """Return where the path passes the corner of the lift law: the square of its speed as a cubic in the share."""
    limit = corner_mps(spin.size, law)
    square, lost = limit * abs(limit), 2.0 * law.fade_pers * h  # negative: no corner
    after = square * fade(2.0 * h, law) if law.fade_pers else square
    begin = v[0] * v[0] + v[1] * v[1] + v[2] * v[2] - square
    end = velocity[0] * velocity[0] + velocity[1] * velocity[1] + velocity[2] * velocity[2] - after
    rate0 = 2.0 * h * (v[0] * start[0] + v[1] * start[1] + v[2] * start[2]) + lost * square
    rate1 = 2.0 * h * (velocity[0] * finish[0] + velocity[1] * finish[1] + velocity[2] * finish[2]) + lost * after
    sign = 1.0 - 2.0 * spin.capped  # the speed falls to the corner where the lift is below its cap
    passes = sign * end < -CORNER_MPS2
    dips = not_(passes) & (sign * rate0 < 0.0) & (sign * rate1 > 0.0)
    if not (numbers.any(passes) or numbers.any(dips)):
        return numbers.choose(passes, 0.0, NEVER)
    rise = end - begin
    cubic = (
        0.0 * rise,
        0.0 * rise,
        sign * (rate0 + rate1 - 2.0 * rise),
        sign * (3.0 * rise - 2.0 * rate0 - rate1),
        sign * rate0,
        sign * begin,
    )
    at = numbers.fall(passes, cubic, 0.0, 1.0)
    if numbers.any(dips):
        turn = numbers.fall(dips, slope_curve(cubic, -1.0), 0.0, 1.0)
        dips = dips & (value(cubic, turn) < -CORNER_MPS2)
        at = numbers.choose(dips, numbers.fall(dips, cubic, 0.0, turn), at)
    return numbers.choose(at < SOONEST, NEVER, at)
