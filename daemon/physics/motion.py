"""Equation of motion of a spinning ball in air, and one step of its integration.

The equation is written only here. It takes floats or arrays, component by component, so that one ball in plain Python
and ten thousand balls in numpy get the same figures.
"""

import math
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from drillfeed.daemon.physics.air import Air
from drillfeed.daemon.physics.table import Ball
from drillfeed.daemon.physics.widths import Constants

Array = NDArray[np.float64]

# In one step the ball travels a fifth of a metre, for at most 40 ms. The fourth-order error then stays near 1e-8 m a
# step at any speed in the valid range, and the cubic between two steps is within micrometres of the path. The largest
# error left comes from the corner where the lift coefficient reaches its cap: at worst 0.2 mm at landing, if S passes
# 0.35 in flight.
STEP_M = 0.2
MAX_STEP_S = 0.04
SLANT_SINE = 0.5
MIN_SLANT = 1.0 / 64.0

_TINY = 1e-300


@dataclass(frozen=True)
class Coefficients:
    """Hold the constants of the equation of motion for one ball in one air."""

    drag_per_m: float
    lift_by_spin: float
    max_lift_per_m: float
    by_volume: bool
    gravity_mps2: float
    fade_pers: float
    radius_m: float


@dataclass(frozen=True)
class CoefficientsOfMany:
    """Hold the constants of the equation of motion for n balls that differ in drag and lift; arrays are (n,)."""

    drag_per_m: Array
    lift_by_spin: Array
    max_lift_per_m: Array
    by_volume: bool
    gravity_mps2: float
    fade_pers: float
    radius_m: float


def _scale_per_m(ball: Ball, air: Air) -> float:
    area_m2 = math.pi * ball.radius_m**2
    return 0.5 * air.density_kgpm3 * area_m2 / ball.mass_kg


def coefficients_of(ball: Ball, air: Air) -> Coefficients:
    """Return the constants: half rho A C_D / m and the same for lift, gravity, and the rate at which spin fades."""
    scale_per_m = _scale_per_m(ball, air)
    return Coefficients(
        drag_per_m=scale_per_m * ball.drag,
        lift_by_spin=scale_per_m * ball.lift_slope * ball.radius_m,
        max_lift_per_m=scale_per_m * ball.lift_cap,
        by_volume=ball.lift_by_volume,
        gravity_mps2=air.gravity_mps2,
        fade_pers=1.0 / ball.spin_decay_s,
        radius_m=ball.radius_m,
    )


def coefficients_of_many(ball: Ball, air: Air, constants: Constants) -> CoefficientsOfMany:
    """Return the constants of the motion as `coefficients_of` does, with a drag and a lift for each of n balls."""
    scale_per_m = _scale_per_m(ball, air)
    return CoefficientsOfMany(
        drag_per_m=scale_per_m * constants.drag,
        lift_by_spin=scale_per_m * ball.radius_m * constants.lift_slope,
        max_lift_per_m=scale_per_m * constants.lift_cap,
        by_volume=ball.lift_by_volume,
        gravity_mps2=air.gravity_mps2,
        fade_pers=1.0 / ball.spin_decay_s,
        radius_m=ball.radius_m,
    )


def coefficients_for(law: Coefficients | CoefficientsOfMany, rows: Any) -> Coefficients | CoefficientsOfMany:
    """Return the law of some of the balls; one law for all holds for any of them."""
    if isinstance(law, Coefficients):
        return law
    return replace(
        law,
        drag_per_m=law.drag_per_m[rows],
        lift_by_spin=law.lift_by_spin[rows],
        max_lift_per_m=law.max_lift_per_m[rows],
    )


def acceleration(
    v: Any, w: Any, spin_size: Any, law: Coefficients | CoefficientsOfMany, lesser: Any
) -> tuple[Any, Any, Any]:
    """Return the acceleration in m/s^2: drag against v, lift along omega x v, gravity.

    `v`, `w` are three components each, `spin_size` is |omega|, `lesser` is min or numpy.minimum. Drag and lift as in
    Nakashima et al. 2011, eq. 1; lift coefficient min(slope S, cap) with S = r |omega| / |v|.
    """
    vx, vy, vz = v
    wx, wy, wz = w
    speed2 = vx * vx + vy * vy + vz * vz
    speed = speed2**0.5
    cx = wy * vz - wz * vy
    cy = wz * vx - wx * vz
    cz = wx * vy - wy * vx
    if law.by_volume:
        lift = law.lift_by_spin
    else:
        cross = (cx * cx + cy * cy + cz * cz) ** 0.5 + _TINY
        lift = lesser(law.lift_by_spin * spin_size * speed, law.max_lift_per_m * speed2) / cross
    drag = law.drag_per_m * speed
    return lift * cx - drag * vx, lift * cy - drag * vy, lift * cz - drag * vz - law.gravity_mps2


def advance(
    p: Any, v: Any, w: Any, spin_size: Any, h: Any, law: Coefficients | CoefficientsOfMany, lesser: Any
) -> tuple[Any, Any]:
    """Return position and velocity one step of `h` seconds later by the classical fourth-order Runge-Kutta rule.

    The force does not depend on position, so the four slopes combine into the second-order (Nystroem) form of the rule.
    Spin keeps its direction during a step; its decay is taken at the middle of the step.
    """
    vx, vy, vz = v
    if law.fade_pers:
        middle = fade(0.5 * h, law)
        w = (w[0] * middle, w[1] * middle, w[2] * middle)
        spin_size = spin_size * middle
    half = 0.5 * h
    ax, ay, az = acceleration(v, w, spin_size, law, lesser)
    bx, by, bz = acceleration((vx + half * ax, vy + half * ay, vz + half * az), w, spin_size, law, lesser)
    cx, cy, cz = acceleration((vx + half * bx, vy + half * by, vz + half * bz), w, spin_size, law, lesser)
    dx, dy, dz = acceleration((vx + h * cx, vy + h * cy, vz + h * cz), w, spin_size, law, lesser)
    sixth = h / 6.0
    bcx, bcy, bcz = bx + cx, by + cy, bz + cz
    place = (
        p[0] + h * (vx + sixth * (ax + bcx)),
        p[1] + h * (vy + sixth * (ay + bcy)),
        p[2] + h * (vz + sixth * (az + bcz)),
    )
    speed = (
        vx + sixth * (ax + 2.0 * bcx + dx),
        vy + sixth * (ay + 2.0 * bcy + dy),
        vz + sixth * (az + 2.0 * bcz + dz),
    )
    return place, speed


def fade(time_s: Any, law: Coefficients | CoefficientsOfMany) -> Any:
    """Return the share of spin left after a time; written as a power of e, which takes floats and arrays."""
    return math.e ** (-law.fade_pers * time_s)


def step_for(speed_mps: float) -> float:
    """Return the step in seconds for a launch speed."""
    return min(MAX_STEP_S, STEP_M / (speed_mps + _TINY))


def is_slanted(v: Any, w: Any, spin_size: Any, law: Coefficients | CoefficientsOfMany) -> Any:
    """Tell whether the angle between spin and velocity changes in flight: not for horizontal spin at right angles."""
    along = v[0] * w[0] + v[1] * w[1] + v[2] * w[2]
    size = spin_size * (v[0] * v[0] + v[1] * v[1] + v[2] * v[2]) ** 0.5
    return (not law.by_volume) & ((abs(along) > 1e-6 * size) | (abs(w[2]) > 1e-6 * spin_size))


def slant_share(v: Any, w: Any, spin_size: Any, lesser: Any, greater: Any) -> Any:
    """Return the share of a step to take: the nearer spin is to the line of flight, the faster omega x v turns.

    The equation has the full lift there, and its direction jumps when spin and velocity are in line.
    """
    vx, vy, vz = v
    wx, wy, wz = w
    cx, cy, cz = wy * vz - wz * vy, wz * vx - wx * vz, wx * vy - wy * vx
    size = spin_size * (vx * vx + vy * vy + vz * vz) ** 0.5
    sine = ((cx * cx + cy * cy + cz * cz) ** 0.5 + _TINY) / (size + _TINY)
    return greater(lesser(sine / SLANT_SINE, 1.0), MIN_SLANT)
