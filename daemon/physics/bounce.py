"""Bounce of a ball on a hard surface: it either slides during the whole contact, or it rolls at the end of it.

Arguments are floats or arrays of one shape, component by component. A bounce never creates energy.
"""

import math
from typing import Any

import numpy as np
from numpy.typing import NDArray

from drillfeed.daemon.physics.table import Ball

Vector = tuple[float, float, float]
Array = NDArray[np.float64]
# How well restitution is known, as standard deviations: our judgement. Up to 4 m/s it is half of the span between the
# drop tests of ball and table (0.909 to 0.971 about 0.934; derived with drag). Above 4 m/s it grows, so that at 5.8 m/s
# two deviations reach from the default's 0.865 down to 0.78, measured there on steel (quoted); on a table, unknown.
RESTITUTION_SD = 0.015
WIDER_ABOVE_MPS = 4.0
RESTITUTION_SD_RISE_SPM = 0.015


def restitution(normal_speed_mps: float, ball: Ball) -> float:
    """Return the restitution at an impact speed along the normal, in m/s."""
    return float(_restitution(abs(normal_speed_mps), ball, ball.restitution_shift, min, max))


def restitution_sd(speed: Any, greater: Any) -> Any:
    """Return the standard deviation of restitution at an impact speed along the normal, in m/s, for floats or arrays.

    `greater` is `max` or its like for arrays.
    """
    return RESTITUTION_SD + RESTITUTION_SD_RISE_SPM * greater(speed - WIDER_ABOVE_MPS, 0.0)


def _restitution(speed: Any, ball: Ball, shift: Any, lesser: Any, greater: Any) -> Any:
    """Return the restitution, moved by `shift` of its deviations; one formula for floats and arrays."""
    wanted = ball.restitution_at_rest - ball.restitution_fall_spm * speed
    usual = lesser(greater(wanted, ball.min_restitution), ball.max_restitution)
    return lesser(greater(usual + shift * restitution_sd(speed, greater), 0.0), 1.0)


def bounce(velocity: Vector, spin: Vector, ball: Ball, normal: Vector = (0.0, 0.0, 1.0)) -> tuple[Vector, Vector]:
    """Return velocity (m/s) and spin (rad/s) after a contact with a surface of the given outward unit normal.

    Nakashima et al. 2011, IEEE ROBIO pp. 2348-2354, eqs 2-4, with its two misprints corrected (the ball rolls if the
    friction asked for passes 2/5 of the contact point's speed). A ball that moves away is returned unchanged.
    """
    normal_speed = sum(a * b for a, b in zip(velocity, normal, strict=True))
    if normal_speed >= 0.0:
        return velocity, spin
    e = restitution(normal_speed, ball)
    after = _impulse(velocity, spin, normal, normal_speed, e, ball.friction, ball.radius_m, math.sqrt, min)
    return after[0], after[1]


def bounce_many(
    velocity: Array,
    spin: Array,
    ball: Ball,
    normal: Array | None = None,
    friction: Array | None = None,
    restitution_shift: Array | None = None,
) -> tuple[Array, Array]:
    """Return velocities and spins, both (3, n), after contact; `normal` is (3, n), straight up if left out.

    `friction` and `restitution_shift`, both (n,), replace the ball's own values if each contact has its own.
    """
    up = np.zeros_like(velocity) if normal is None else normal
    if normal is None:
        up[2] = 1.0
    normal_speed = (velocity * up).sum(axis=0)
    shift = ball.restitution_shift if restitution_shift is None else restitution_shift
    mu = ball.friction if friction is None else friction
    e = _restitution(np.abs(normal_speed), ball, shift, np.minimum, np.maximum)
    out_velocity, out_spin = _impulse(velocity, spin, up, normal_speed, e, mu, ball.radius_m, np.sqrt, np.minimum)
    leaves = normal_speed >= 0.0
    return np.where(leaves, velocity, np.array(out_velocity)), np.where(leaves, spin, np.array(out_spin))


def _impulse(v: Any, w: Any, n: Any, normal_speed: Any, e: Any, friction: Any, r: float, root: Any, lesser: Any) -> Any:
    """Return velocity and spin after the contact's impulse; one formula for floats and arrays."""
    # Velocity of the contact point along the surface: v - (v.n) n + omega x (-r n).
    tx = v[0] - normal_speed * n[0] - r * (w[1] * n[2] - w[2] * n[1])
    ty = v[1] - normal_speed * n[1] - r * (w[2] * n[0] - w[0] * n[2])
    tz = v[2] - normal_speed * n[2] - r * (w[0] * n[1] - w[1] * n[0])
    slip = root(tx * tx + ty * ty + tz * tz)
    # 1e-300 avoids 0/0 for a contact without slip; the product below is then 0.
    a = lesser(0.4, friction * (1.0 + e) * abs(normal_speed) / (slip + 1e-300))
    push = (1.0 + e) * normal_speed
    twist = 1.5 * a / r
    velocity = (v[0] - a * tx - push * n[0], v[1] - a * ty - push * n[1], v[2] - a * tz - push * n[2])
    spin = (
        w[0] + twist * (n[1] * tz - n[2] * ty),
        w[1] + twist * (n[2] * tx - n[0] * tz),
        w[2] + twist * (n[0] * ty - n[1] * tx),
    )
    return velocity, spin
