"""Equation of motion of a spinning ball in air: the only statement of it.

It takes floats or arrays, component by component, so that one ball in plain Python and ten thousand balls in numpy get
the same figures. `stepper.py` integrates it.
"""

import math
from dataclasses import dataclass, replace
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from drillfeed.daemon.physics.air import Air
from drillfeed.daemon.physics.table import Ball
from drillfeed.daemon.physics.widths import Constants

Array = NDArray[np.float64]
TINY = 1e-300
OUT_OF_REACH = 1e100


@dataclass(frozen=True)
class Coefficients:
    """Hold the constants of the equation of motion, for one ball in one air or for n balls that differ.

    Drag and lift are floats, or (n,) arrays of balls that each have their own.
    """

    drag_per_m: Any
    lift_by_spin: Any
    max_lift_per_m: Any
    by_volume: bool
    gravity_mps2: float
    fade_pers: float
    radius_m: float

    @property
    def of_many(self) -> bool:
        """Tell whether each ball has its own drag and lift."""
        return isinstance(self.drag_per_m, np.ndarray)

    def of(self, rows: Any) -> "Coefficients":
        """Return the constants of some of the balls; one set of constants holds for any of them."""
        if not self.of_many:
            return self
        drag, by_spin, most = (a[rows] for a in (self.drag_per_m, self.lift_by_spin, self.max_lift_per_m))
        return replace(self, drag_per_m=drag, lift_by_spin=by_spin, max_lift_per_m=most)


class Lift(NamedTuple):
    """Hold the lift law as factors: lift is the lesser of `by_speed` |v| and `by_square` |v|^2, along omega x v.

    Below the cap the lift grows with |omega| |v|, at the cap with |v|^2. Between two crossings of the corner the factor
    of the part that does not hold is out of reach, so the equation is smooth.
    """

    by_speed: Any
    by_square: Any


def coefficients_of(ball: Ball, air: Air, constants: Constants | None = None) -> Coefficients:
    """Return the constants: half rho A C_D / m and the same for lift, gravity, and the rate at which spin fades.

    With `constants` drag and lift are (n,) arrays, one for each ball.
    """
    own = ball if constants is None else constants
    scale_per_m = 0.5 * air.density_kgpm3 * math.pi * ball.radius_m**2 / ball.mass_kg
    return Coefficients(
        drag_per_m=scale_per_m * own.drag,
        lift_by_spin=scale_per_m * ball.radius_m * own.lift_slope,
        max_lift_per_m=scale_per_m * own.lift_cap,
        by_volume=ball.lift_by_volume,
        gravity_mps2=air.gravity_mps2,
        fade_pers=1.0 / ball.spin_decay_s,
        radius_m=ball.radius_m,
    )


def corner_mps(spin_size: Any, law: Coefficients) -> Any:
    """Return the speed at which the lift coefficient reaches its cap, for a size of spin in rad/s.

    The cap holds below it. Without a cap, or in the form by volume, it is negative: the cap never holds.
    """
    if law.by_volume:
        return 0.0 * spin_size - 1.0
    return law.lift_by_spin * spin_size / (law.max_lift_per_m + 1e-12)


def lift_of(spin_size: Any, capped: Any, law: Coefficients) -> Lift:
    """Return the part of the lift law that holds; `capped` is 1 where the lift coefficient is at its cap, else 0."""
    out = OUT_OF_REACH
    return Lift(law.lift_by_spin * spin_size + capped * out, law.max_lift_per_m + (1.0 - capped) * out)


def pull(v: Any, axis: Any, lift: Lift, law: Coefficients, lesser: Any) -> tuple[Any, Any, Any]:
    """Return the acceleration in m/s^2: drag against v, lift along omega x v, gravity.

    `v` and `axis`, the unit vector of omega, are three components each. Drag and lift as in Nakashima et al. 2011,
    eq. 1; lift coefficient min(slope S, cap) with S = r |omega| / |v|, of which `lift` says the part that holds.
    `lesser` is min or numpy.minimum.
    """
    vx, vy, vz = v
    nx, ny, nz = axis
    # Written with in-place sums: arrays then need half of the memory, and floats do not mind.
    speed = vx * vx
    speed += vy * vy
    speed += vz * vz
    speed = speed**0.5
    cx, cy, cz = ny * vz, nz * vx, nx * vy
    cx -= nz * vy
    cy -= nx * vz
    cz -= ny * vx
    if law.by_volume:
        turn = lift.by_speed
    else:
        across = cx * cx
        across += cy * cy
        across += cz * cz
        turn = lesser(lift.by_speed, lift.by_square * speed)
        turn *= speed
        turn /= across**0.5 + TINY
    drag = law.drag_per_m * speed
    cx *= turn
    cy *= turn
    cz *= turn
    cx -= drag * vx
    cy -= drag * vy
    cz -= drag * vz
    cz -= law.gravity_mps2
    return cx, cy, cz


def acceleration(v: Any, w: Any, law: Coefficients) -> tuple[float, float, float]:
    """Return the acceleration of one ball in m/s^2 from its velocity and its spin in rad/s."""
    size = math.hypot(*w)
    axis = (w[0] / (size + TINY), w[1] / (size + TINY), w[2] / (size + TINY))
    capped = float(math.hypot(*v) <= corner_mps(size, law))
    return pull(v, axis, lift_of(size, capped, law), law, min)
