"""A ball as it leaves the wheels: position, velocity and spin, from speed, spin and the angles of the head."""

import math
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from drillfeed.daemon.physics.bounce import Vector

Array = NDArray[np.float64]
DEFAULT_HEIGHT_M = 0.25
DEFAULT_BACK_M = 0.20


@dataclass(frozen=True)
class Launch:
    """Hold one ball at release, in the frame of `table.py`: m, m/s, rad/s."""

    position_m: Vector
    velocity_mps: Vector
    spin_radps: Vector

    @property
    def speed_mps(self) -> float:
        """Return the speed in m/s."""
        return math.hypot(*self.velocity_mps)

    @property
    def spin_revps(self) -> float:
        """Return the size of the spin in rev/s, whatever its direction."""
        return math.hypot(*self.spin_radps) / (2.0 * math.pi)


@dataclass(frozen=True)
class Launches:
    """Hold n balls at release; each array is (3, n): m, m/s, rad/s."""

    position_m: Array
    velocity_mps: Array
    spin_radps: Array

    def __len__(self) -> int:
        """Return the number of balls."""
        return int(self.position_m.shape[1])


class HeadSpin(NamedTuple):
    """Hold the spin that two wheels give (rev/s, negative if the bottom wheel is faster) and the head's roll."""

    revps: float
    roll_deg: float


def head_spin(topspin_revps: float, sidespin_revps: float) -> HeadSpin:
    """Return the spin and the roll of the head that make a topspin and a sidespin (rev/s, bending left positive).

    A head rolled by r turns its spin axis by r about the direction of flight (`head_axes`), so spin s becomes topspin
    s cos r and sidespin s sin r (projection on two axes at right angles). Solved for s and r: s = +-hypot(top, side)
    with the sign of the topspin, r = atan(side / top). The other solution, -s at r +- 180 degrees, is the same ball
    with the wheels exchanged; the solution used here never leans by more than 90 degrees.
    """
    sign = -1.0 if topspin_revps < 0.0 else 1.0
    roll = math.degrees(math.atan2(sign * sidespin_revps, abs(topspin_revps))) + 0.0  # never -0.0
    return HeadSpin(sign * math.hypot(topspin_revps, sidespin_revps), roll)


def spin_parts(spin_revps: float, roll_deg: float) -> tuple[float, float]:
    """Return topspin and sidespin (rev/s) of a spin on a rolled head: the inverse of `head_spin`."""
    roll = math.radians(roll_deg)
    return spin_revps * math.cos(roll), spin_revps * math.sin(roll)


def launch_from(
    speed_mps: float,
    spin_revps: float,
    tilt_deg: float,
    *,
    pan_deg: float = 0.0,
    roll_deg: float = 0.0,
    height_m: float = DEFAULT_HEIGHT_M,
    back_m: float = DEFAULT_BACK_M,
    offset_m: float = 0.0,
) -> Launch:
    """Return the ball thrown at a speed and spin (topspin positive) with the head at the given angles.

    `tilt_deg` is up, `pan_deg` is to the left as the thrower sees it. `roll_deg` leans the top wheel so that topspin
    becomes spin that bends the ball to the left. At release, the ball's centre is `height_m` above the table, `back_m`
    behind the end line and `offset_m` to the left of the centre line.
    """
    velocity, spin = head_axes(tilt_deg, pan_deg, roll_deg)
    omega = 2.0 * math.pi * spin_revps
    return Launch(
        (-back_m, offset_m, height_m),
        (speed_mps * velocity[0], speed_mps * velocity[1], speed_mps * velocity[2]),
        (omega * spin[0], omega * spin[1], omega * spin[2]),
    )


def head_axes(tilt_deg: float, pan_deg: float, roll_deg: float) -> tuple[Vector, Vector]:
    """Return the unit vectors of flight and of topspin for a head at the given angles in degrees."""
    tilt, pan, roll = math.radians(tilt_deg), math.radians(pan_deg), math.radians(roll_deg)
    ct, st, cp, sp = math.cos(tilt), math.sin(tilt), math.cos(pan), math.sin(pan)
    left = (-sp, cp, 0.0)
    upward = (-st * cp, -st * sp, ct)
    cr, sr = math.cos(roll), math.sin(roll)
    topspin = (cr * left[0] + sr * upward[0], cr * left[1] + sr * upward[1], sr * upward[2])
    return (ct * cp, ct * sp, st), topspin


def launches_from(
    speed_mps: Array,
    spin_revps: Array,
    tilt_deg: Array,
    *,
    pan_deg: Array | float = 0.0,
    roll_deg: Array | float = 0.0,
    height_m: Array | float = DEFAULT_HEIGHT_M,
    back_m: Array | float = DEFAULT_BACK_M,
    offset_m: Array | float = 0.0,
) -> Launches:
    """Return n balls as `launch_from` does for one; arguments are (n,) arrays, or single numbers for all balls."""
    tilt, pan, roll = np.radians(tilt_deg), np.radians(pan_deg), np.radians(roll_deg)
    speed, spin, tilt, pan, roll, height, back, offset = np.broadcast_arrays(
        speed_mps, spin_revps, tilt, pan, roll, height_m, back_m, offset_m
    )
    ct, st, cp, sp = np.cos(tilt), np.sin(tilt), np.cos(pan), np.sin(pan)
    cr, sr = np.cos(roll), np.sin(roll)
    omega = 2.0 * math.pi * spin
    return Launches(
        np.array([-back, offset, height], dtype=np.float64),
        np.array([speed * ct * cp, speed * ct * sp, speed * st]),
        np.array([omega * (-cr * sp - sr * st * cp), omega * (cr * cp - sr * st * sp), omega * sr * ct]),
    )
