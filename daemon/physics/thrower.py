"""Two driven wheels and the ball between them: rim speeds to speed and spin and back, grip, dip, and the opening.

Without slip the ball rolls on both rims: its speed is the mean of the rim speeds, and its spin comes from their
difference over the ball's diameter. Rim speeds are in m/s, forward positive. Topspin is positive: the top wheel is
faster.
"""

import math
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from drillfeed.daemon.physics.table import PLAIN_BALL, Ball

Array = NDArray[np.float64]
# Share of the fast wheel's rim speed that the slow wheel needs to grip the ball: a default of ours for home builds.
GRIP_SHARE = 0.10


@dataclass(frozen=True)
class Rims:
    """Hold the rim speeds of both wheels in m/s."""

    top_mps: float
    bottom_mps: float


def rims_for(speed_mps: float, spin_revps: float, ball: Ball = PLAIN_BALL) -> Rims:
    """Return the rim speeds that throw a speed and spin without slip (rolling without slip on both sides)."""
    half_difference = 2.0 * math.pi * spin_revps * ball.radius_m
    return Rims(speed_mps + half_difference, speed_mps - half_difference)


def thrown_by(rims: Rims, ball: Ball = PLAIN_BALL) -> tuple[float, float]:
    """Return speed (m/s) and spin (rev/s) of a ball that leaves these rims without slip."""
    spin_revps = (rims.top_mps - rims.bottom_mps) / (4.0 * math.pi * ball.radius_m)
    return (rims.top_mps + rims.bottom_mps) / 2.0, spin_revps


def rim_mps(wheel_rpm: float, diameter_m: float) -> float:
    """Return the rim speed of a wheel of a diameter (not a radius) at a speed in rpm."""
    return math.pi * diameter_m * wheel_rpm / 60.0


def wheel_rpm(rim_speed_mps: float, diameter_m: float) -> float:
    """Return the wheel speed in rpm that gives a rim speed."""
    return rim_speed_mps * 60.0 / (math.pi * diameter_m)


@dataclass(frozen=True)
class RimLimits:
    """Hold the limits of a pair of wheels: highest and lowest forward rim speed, reversing, and the grip share."""

    max_mps: float
    min_mps: float = 0.0
    reverses: bool = False
    grip_share: float = GRIP_SHARE


RimLimit = Literal["max_rim", "min_rim", "reverse", "grip"]


def broken_limit(rims: Rims, limits: RimLimits) -> RimLimit | None:
    """Return the first limit that a pair of rim speeds breaks, or None; the tolerance is one part in 1e9."""
    slack = 1e-9 * limits.max_mps
    fast, slow = max(rims.top_mps, rims.bottom_mps), min(rims.top_mps, rims.bottom_mps)
    if fast > limits.max_mps + slack:
        return "max_rim"
    if slow < -slack and not limits.reverses:
        return "reverse"
    if slow < -limits.max_mps - slack:
        return "max_rim"
    if slow >= -slack and slow < limits.grip_share * fast - slack:
        return "grip"
    if abs(slow) < limits.min_mps - slack:
        return "min_rim"
    return None


def within_limits(top_mps: Array, bottom_mps: Array, limits: RimLimits) -> NDArray[np.bool_]:
    """Tell for (n,) pairs of rim speeds in m/s whether they keep every limit, as `broken_limit` does for one."""
    slack = 1e-9 * limits.max_mps
    fast, slow = np.maximum(top_mps, bottom_mps), np.minimum(top_mps, bottom_mps)
    backwards = slow < -slack
    grips = np.where(backwards, limits.reverses & (slow >= -limits.max_mps - slack), True)
    grips &= backwards | (slow >= limits.grip_share * fast - slack)
    kept: NDArray[np.bool_] = (fast <= limits.max_mps + slack) & grips & (np.abs(slow) >= limits.min_mps - slack)
    return kept


def max_spin_revps(speed_mps: float, limits: RimLimits, ball: Ball = PLAIN_BALL) -> float:
    """Return the highest spin in either direction that rims within their limits give at a speed; 0 if none."""
    circle_m = 2.0 * math.pi * ball.radius_m
    by_max_rim = limits.max_mps - speed_mps
    if limits.reverses:
        return max(0.0, by_max_rim / circle_m)
    # Fast = v + d, slow = v - d; slow >= share x fast gives d <= v (1 - share) / (1 + share).
    by_grip = speed_mps * (1.0 - limits.grip_share) / (1.0 + limits.grip_share)
    by_min_rim = speed_mps - limits.min_mps
    return max(0.0, min(by_max_rim, by_grip, by_min_rim) / circle_m)


@dataclass(frozen=True)
class RimLine:
    """Hold the line from a wheel's rim speed as set to the one the ball feels (slip, wear, wrong diameter)."""

    slope: float = 1.0
    offset_mps: float = 0.0

    def felt_mps(self, told_mps: float) -> float:
        """Return the rim speed that the ball feels."""
        return self.slope * told_mps + self.offset_mps

    def told_mps(self, felt_mps: float) -> float:
        """Return the rim speed to set so that the ball feels `felt_mps`."""
        return (felt_mps - self.offset_mps) / self.slope


def speed_share(wheel_inertia_kgm2: float, wheel_radius_m: float, ball: Ball = PLAIN_BALL) -> float:
    """Return the share of the rim speed that the ball leaves with, both wheels alike.

    1 / (1 + m R^2 / (2 I_w)), from angular momentum: each wheel gives half of the ball's momentum, and friction takes
    energy until slip ends. The published energy balance gives values that are too high.
    """
    return 1.0 / (1.0 + ball.mass_kg * wheel_radius_m**2 / (2.0 * wheel_inertia_kgm2))


def spin_share(wheel_inertia_kgm2: float, wheel_radius_m: float, ball: Ball = PLAIN_BALL) -> float:
    """Return the share of the no-slip spin that the ball leaves with: 1 / (1 + m R^2 / (3 I_w)), as `speed_share`."""
    return 1.0 / (1.0 + ball.mass_kg * wheel_radius_m**2 / (3.0 * wheel_inertia_kgm2))


@dataclass(frozen=True)
class Flywheel:
    """Hold a wheel's moment of inertia, with everything that turns with it, and its radius."""

    inertia_kgm2: float
    radius_m: float

    def ball_share(self, ball: Ball = PLAIN_BALL) -> float:
        """Return the ball's mass over the wheel's equivalent mass at the rim: m R^2 / I_w."""
        return ball.mass_kg * self.radius_m**2 / self.inertia_kgm2


def throw(before: Rims, top: Flywheel, bottom: Flywheel, ball: Ball = PLAIN_BALL) -> tuple[float, float, Rims]:
    """Return speed (m/s) and spin (rev/s) of a ball thrown by wheels that run freely, and their rim speeds after it.

    From momentum, with no slip left when the ball leaves. Let v be its speed, w its spin times its radius, and
    k = m R^2 / I_w for each wheel. The top rim loses k_t (v / 2 + w / 3) and ends at v + w; the bottom rim loses
    k_b (v / 2 - w / 3) and ends at v - w. These are two linear equations. For equal wheels their solution is
    `speed_share` and `spin_share`.
    """
    k_top, k_bottom = top.ball_share(ball), bottom.ball_share(ball)
    speed_top, speed_bottom = 1.0 + k_top / 2.0, 1.0 + k_bottom / 2.0
    spin_top, spin_bottom = 1.0 + k_top / 3.0, 1.0 + k_bottom / 3.0
    whole = speed_top * spin_bottom + speed_bottom * spin_top
    speed_mps = (before.top_mps * spin_bottom + before.bottom_mps * spin_top) / whole
    around_mps = (before.top_mps * speed_bottom - before.bottom_mps * speed_top) / whole
    spin_revps = around_mps / (2.0 * math.pi * ball.radius_m)
    return speed_mps, spin_revps, rims_for(speed_mps, spin_revps, ball)


def opening_at(
    tilt_deg: float, level_height_m: float, level_back_m: float, pivot_to_opening_m: float
) -> tuple[float, float]:
    """Return height above the table and distance behind the end line of the opening at a tilt.

    `level_*` is the opening's position at tilt 0; it swings about a pivot `pivot_to_opening_m` behind it.
    """
    tilt = math.radians(tilt_deg)
    height = level_height_m + pivot_to_opening_m * math.sin(tilt)
    return height, level_back_m + pivot_to_opening_m * (1.0 - math.cos(tilt))
