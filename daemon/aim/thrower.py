"""What aiming needs to know of a machine: opening, limits, and the lines from rim speeds as set to those felt.

A `Thrower` is made from a machine profile and its calibration, if it has one. It is immutable and hashable, so that
answers can be kept for each machine and calibration.
"""

import math
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from drillfeed.daemon.aim.causes import NO_SHIFT, Shift, causes_of
from drillfeed.daemon.machine import AngleAxis, Machine
from drillfeed.daemon.physics.air import STILL_AIR, Air
from drillfeed.daemon.physics.launch import Launch, Launches, launch_from, launches_from
from drillfeed.daemon.physics.table import PLAIN_BALL, Ball
from drillfeed.daemon.physics.thrower import (
    RimLimits,
    RimLine,
    Rims,
    broken_limit,
    opening_at,
    rim_mps,
    rims_for,
    speed_share,
    spin_share,
    thrown_by,
    wheel_rpm,
)

Limit = Literal["max_rim", "min_rim", "reverse", "grip", "tilt_low", "tilt_high", "pan", "roll"]
Array = NDArray[np.float64]
Span = tuple[float, float]
WIDE_TILT: Span = (-75.0, 85.0)
TILT_SLACK_DEG = 2e-3  # a solution no farther beyond the tilt's range moves to its end: a fifth of a mm
WIDE_PAN: Span = (-60.0, 60.0)
STRAIGHT = RimLine()
MANY_MOVES = 20  # of a tilt in a set: a default of ours
NO_RIM_LIMITS = RimLimits(max_mps=1000.0, min_mps=0.0, reverses=True, grip_share=0.0)


@dataclass(frozen=True)
class Scatter:
    """Hold how much throws differ: standard deviations, and the tilt's play from end to end."""

    speed_share: float = 0.01
    spin_share: float = 0.02
    angle_deg: float = 0.4
    tilt_play_deg: float = 0.0


@dataclass(frozen=True)
class Measured:
    """Hold the basis of a calibration: the scatter of single landings if known, balls, and number of values fitted."""

    scatter_m: float | None
    balls: int
    values: int


@dataclass(frozen=True)
class Thrower:
    """Hold one machine for aiming; `top_line` and `bottom_line` convert rim speeds as set to those felt.

    `shifts` is what one deviation of each value does that isn't known exactly; None if the profile marks nothing.
    """

    name: str
    limits: RimLimits
    top_diameter_m: float
    bottom_diameter_m: float
    wheel_inertia_kgm2: float
    tilt_deg: Span
    pan_deg: Span | None
    roll_deg: Span | None
    height_m: float
    back_m: float
    pivot_m: float = 0.0
    sideways_m: float = 0.0
    yaw_deg: float = 0.0
    scatter: Scatter = Scatter()
    top_line: RimLine = STRAIGHT
    bottom_line: RimLine = STRAIGHT
    tilt_zero_deg: float = 0.0
    ball: Ball = PLAIN_BALL
    air: Air = STILL_AIR
    calibrated: bool = False
    measured: Measured | None = None
    shifts: tuple[Shift, ...] | None = None

    @property
    def speed_share(self) -> float:
        """Return the share of the felt rim speed that the ball leaves with."""
        return speed_share(self.wheel_inertia_kgm2, (self.top_diameter_m + self.bottom_diameter_m) / 4.0, self.ball)

    @property
    def spin_share(self) -> float:
        """Return the share of the no-slip spin that the ball leaves with."""
        return spin_share(self.wheel_inertia_kgm2, (self.top_diameter_m + self.bottom_diameter_m) / 4.0, self.ball)

    def lifted(self, *limits: Limit) -> "Thrower":
        """Return the same machine without some of its limits."""
        changed, rims = self, self.limits
        low, high = self.tilt_deg
        for limit in limits:
            if limit == "max_rim":
                rims = replace(rims, max_mps=NO_RIM_LIMITS.max_mps)
            elif limit == "min_rim":
                rims = replace(rims, min_mps=0.0)
            elif limit == "reverse":
                rims = replace(rims, reverses=True, grip_share=0.0)
            elif limit == "grip":
                rims = replace(rims, grip_share=0.0)
            elif limit == "tilt_low":
                low = WIDE_TILT[0]
            elif limit == "tilt_high":
                high = WIDE_TILT[1]
            elif limit == "pan":
                changed = replace(changed, pan_deg=WIDE_PAN)
            else:
                changed = replace(changed, roll_deg=(-180.0, 180.0))
        return replace(changed, limits=rims, tilt_deg=(low, high))


def rim_limits(machine: Machine) -> RimLimits:
    """Return what both wheels of a machine can do at their rims, in m/s."""
    wheels = (machine.top, machine.bottom)
    return RimLimits(
        max_mps=min(wheel.rim_mps(wheel.highest_rpm) for wheel in wheels),
        min_mps=max(wheel.rim_mps(wheel.lowest_rpm) for wheel in wheels),
        reverses=all(wheel.reverse for wheel in wheels),
        grip_share=max(wheel.min_share for wheel in wheels),
    )


def thrower_of(machine: Machine, air: Air = STILL_AIR) -> Thrower:
    """Return what aiming needs of a machine profile, with its calibration if it has one."""
    learnt = machine.calibration
    top, bottom, tilt_zero, ball = STRAIGHT, STRAIGHT, 0.0, PLAIN_BALL
    measured = None
    if learnt is not None:
        fitted = learnt.values
        top = RimLine(fitted.top_slope, fitted.top_offset_mps)
        bottom = RimLine(fitted.bottom_slope, fitted.bottom_offset_mps)
        tilt_zero, ball = fitted.tilt_zero_deg, replace(PLAIN_BALL, drag=fitted.drag)
        scatter_m = None if learnt.scatter_cm is None else learnt.scatter_cm / 100.0
        measured = Measured(scatter_m, learnt.balls, len(type(fitted).model_fields))
    return Thrower(
        name=machine.name,
        limits=rim_limits(machine),
        top_diameter_m=machine.top.diameter_mm / 1000.0,
        bottom_diameter_m=machine.bottom.diameter_mm / 1000.0,
        wheel_inertia_kgm2=(machine.top.inertia_kg_m2 + machine.bottom.inertia_kg_m2) / 2.0,
        tilt_deg=(machine.tilt.low_deg, machine.tilt.high_deg),
        pan_deg=_span(machine.pan),
        roll_deg=_span(machine.roll),
        height_m=machine.opening.height_m,
        back_m=machine.opening.behind_end_line_m,
        pivot_m=machine.opening.pivot_to_opening_m,
        sideways_m=machine.opening.sideways_m,
        yaw_deg=machine.opening.yaw_deg,
        scatter=Scatter(
            speed_share=machine.scatter.speed_share,
            spin_share=machine.scatter.spin_share,
            angle_deg=math.hypot(machine.scatter.angle_deg, _usual_drift_deg(machine)),
            tilt_play_deg=machine.tilt.play_deg,
        ),
        top_line=top,
        bottom_line=bottom,
        tilt_zero_deg=tilt_zero,
        ball=ball,
        air=air,
        calibrated=learnt is not None,
        measured=measured,
        shifts=tuple(cause.shift for cause in causes_of(machine) if not cause.scatters and cause.shift != NO_SHIFT)
        if machine.known
        else None,
    )


def _usual_drift_deg(machine: Machine) -> float:
    """Return how far off a tilt by time usually is: after half of the moves between two findings of its stop."""
    if machine.tilt.max_moves is None:
        return 0.0
    return machine.tilt.drift_after_deg(max(min(machine.tilt.max_moves, MANY_MOVES) // 2, 1))


def _span(axis: AngleAxis | None) -> Span | None:
    return (axis.low_deg, axis.high_deg) if axis else None


def rims_to_tell(thrower: Thrower, speed_mps: float, spin_revps: float) -> Rims:
    """Return the rim speeds to set for a ball, from inertia and calibration, without checking limits."""
    felt = rims_for(speed_mps / thrower.speed_share, spin_revps / thrower.spin_share, thrower.ball)
    return Rims(thrower.top_line.told_mps(felt.top_mps), thrower.bottom_line.told_mps(felt.bottom_mps))


def rims_to_tell_many(thrower: Thrower, speed_mps: Array, spin_revps: Array) -> tuple[Array, Array]:
    """Return `rims_to_tell` for (n,) speeds and spins: the top rims and the bottom rims, in m/s."""
    around_mps = 2.0 * math.pi * thrower.ball.radius_m * spin_revps / thrower.spin_share
    felt_mps = speed_mps / thrower.speed_share
    top, bottom = thrower.top_line, thrower.bottom_line
    told_top: Array = (felt_mps + around_mps - top.offset_mps) / top.slope
    told_bottom: Array = (felt_mps - around_mps - bottom.offset_mps) / bottom.slope
    return told_top, told_bottom


def ball_from(thrower: Thrower, told: Rims) -> tuple[float, float]:
    """Return speed (m/s) and spin (rev/s) of the ball that wheels set to these rim speeds throw."""
    felt = Rims(thrower.top_line.felt_mps(told.top_mps), thrower.bottom_line.felt_mps(told.bottom_mps))
    speed, spin = thrown_by(felt, thrower.ball)
    return speed * thrower.speed_share, spin * thrower.spin_share


def rpm_of(thrower: Thrower, rims: Rims) -> tuple[float, float]:
    """Return the wheel speeds in rpm, top and bottom, of a pair of rim speeds."""
    return wheel_rpm(rims.top_mps, thrower.top_diameter_m), wheel_rpm(rims.bottom_mps, thrower.bottom_diameter_m)


def rims_of(thrower: Thrower, top_rpm: float, bottom_rpm: float) -> Rims:
    """Return the rim speeds of a pair of wheel speeds in rpm."""
    return Rims(rim_mps(top_rpm, thrower.top_diameter_m), rim_mps(bottom_rpm, thrower.bottom_diameter_m))


def launch_by(
    thrower: Thrower, speed_mps: float, spin_revps: float, tilt_deg: float, pan_deg: float = 0.0, roll_deg: float = 0.0
) -> Launch:
    """Return the launch of a ball of this speed and spin with the axes set to these angles."""
    true_tilt = tilt_deg + thrower.tilt_zero_deg
    height, back = opening_at(true_tilt, thrower.height_m, thrower.back_m, thrower.pivot_m)
    return launch_from(
        speed_mps,
        spin_revps,
        true_tilt,
        pan_deg=pan_deg + thrower.yaw_deg,
        roll_deg=roll_deg,
        height_m=height,
        back_m=back,
        offset_m=thrower.sideways_m,
    )


def launches_by(
    thrower: Thrower, speed_mps: Array, spin_revps: Array | float, tilt_deg: Array, pan: Array | float, roll: float
) -> Launches:
    """Return `launch_by` for (n,) speeds, tilts and perhaps spins and pans at one roll (degrees)."""
    true_tilt = tilt_deg + thrower.tilt_zero_deg
    tilt = np.radians(true_tilt)
    return launches_from(
        speed_mps,
        np.broadcast_to(spin_revps, speed_mps.shape),
        true_tilt,
        pan_deg=pan + thrower.yaw_deg,
        roll_deg=roll,
        height_m=thrower.height_m + thrower.pivot_m * np.sin(tilt),
        back_m=thrower.back_m + thrower.pivot_m * (1.0 - np.cos(tilt)),
        offset_m=thrower.sideways_m,
    )


def broken(
    thrower: Thrower, speed_mps: float, spin_revps: float, tilt_deg: float, pan_deg: float = 0.0, roll_deg: float = 0.0
) -> tuple[Limit, ...]:
    """Return every limit of the machine that a setting breaks; the ball is possible only without all of them."""
    found: list[Limit] = []
    opened = thrower
    for _ in range(4):
        rim = broken_limit(rims_to_tell(opened, speed_mps, spin_revps), opened.limits)
        if rim is None:
            break
        found.append(rim)
        opened = opened.lifted(rim)
    slack = TILT_SLACK_DEG
    if tilt_deg < thrower.tilt_deg[0] - slack:
        found.append("tilt_low")
    if tilt_deg > thrower.tilt_deg[1] + slack:
        found.append("tilt_high")
    if not _within(pan_deg, thrower.pan_deg):
        found.append("pan")
    if not _within(roll_deg, thrower.roll_deg):
        found.append("roll")
    return tuple(found)


def _within(angle_deg: float, span: Span | None) -> bool:
    if span is None:
        return angle_deg == 0.0
    return span[0] - 1e-9 <= angle_deg <= span[1] + 1e-9
