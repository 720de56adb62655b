"""Spread: how wheel error, tilt play, release scatter and ball tolerances move the landing of one setting.

The method is Monte Carlo over arrays of balls: the mean is what the setting says, and each ball differs by its own
draw. With `unknown` each ball also comes from a different machine, drawn from what isn't known of this one. On a
calibrated machine balls scatter along the table as much as was measured.
"""

import math
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from drillfeed.daemon.aim.causes import Shift
from drillfeed.daemon.aim.thrower import Thrower
from drillfeed.daemon.aim.unknown import NOTHING, Unknown
from drillfeed.daemon.physics.flight_batch import FlightBatch, fly_many
from drillfeed.daemon.physics.launch import Launches, launches_from
from drillfeed.daemon.physics.table import NET_X_M
from drillfeed.daemon.physics.widths import draw_constants
from drillfeed.protocol.texts.catalogue import text

Array = NDArray[np.float64]
# Approval limits of plastic balls (ITTF leaflet T3, quoted): 2.67-2.77 g, 40.00-40.60 mm. A hopper is assumed to hold
# KINDS_OF_BALL different balls, drawn evenly from both spans.
BALL_MASS_KG = (0.00267, 0.00277)
BALL_RADIUS_M = (0.02000, 0.02030)
KINDS_OF_BALL = 8
WHEEL_SHARE = 0.01  # standard deviation of each wheel's rim speed within the ready band of 2 %: a default of ours
WARN_SHARE = 0.05
PILOT_BALLS = 4000  # flown first to find how much a profile's figures scatter landings, to about 1 %


@dataclass(frozen=True)
class Setting:
    """Hold one setting of the axes and its launch: m/s, rev/s, degrees."""

    speed_mps: float
    spin_revps: float
    tilt_deg: float
    pan_deg: float = 0.0
    roll_deg: float = 0.0


@dataclass(frozen=True)
class Errors:
    """Hold the errors of n throws, as (n,) arrays or one figure for all.

    They are shares of each rim's speed and of the ball's speed and spin, degrees of tilt and pan, and metres of the
    opening's height, distance behind the end line, and distance from the tilt's axle.
    """

    top: Array | float = 0.0
    bottom: Array | float = 0.0
    speed: Array | float = 0.0
    spin: Array | float = 0.0
    tilt_deg: Array | float = 0.0
    pan_deg: Array | float = 0.0
    height_m: Array | float = 0.0
    back_m: Array | float = 0.0
    pivot_m: Array | float = 0.0

    def plus(self, more: "Errors") -> "Errors":
        """Return both errors together."""
        return Errors(*(one + other for one, other in zip(vars(self).values(), vars(more).values(), strict=True)))


def errors_of(shift: Shift, deviations: Array | float, tilt_deg: float, thrower: Thrower) -> Errors:
    """Return the errors of throws at one tilt, for which a value is off by so many of its deviations."""
    return Errors(
        top=deviations * shift.top,
        bottom=deviations * shift.bottom,
        speed=deviations * shift.speed,
        spin=deviations * shift.spin,
        tilt_deg=deviations * shift.tilt_at(tilt_deg, thrower.tilt_deg),
        height_m=deviations * shift.height_m,
        back_m=deviations * shift.back_m,
        pivot_m=deviations * shift.pivot_m,
    )


@dataclass(frozen=True)
class Ellipse:
    """Hold the ellipse that holds nine landings in ten: half axes in m, and the long axis's angle to the table's."""

    long_m: float
    short_m: float
    angle_deg: float


@dataclass(frozen=True)
class Spread:
    """Hold how n balls of one setting land. Means and deviations are over legal balls, None if there are none."""

    balls: int
    share_good: float
    share_over_net: float
    share_in_zone: float
    depth_m: float | None
    side_m: float | None
    depth_sd_m: float | None
    side_sd_m: float | None
    ellipse: Ellipse | None
    points: NDArray[np.float64]
    uncalibrated: bool = False

    @property
    def warning(self) -> str | None:
        """Return what to say when more than one ball in twenty misses."""
        missing = 1.0 - self.share_good
        if missing < WARN_SHARE:
            return None
        about = "about " if self.uncalibrated else ""
        where = text("spread.uncalibrated") if self.uncalibrated else text("spread.this-machine")
        if missing > 0.995:
            return text("spread.none-land", where=where)
        if missing > 0.5:
            return text("spread.many-miss", about=about, tenths=round(10 * missing), where=where)
        return text("spread.some-miss", about=about, one_in=round(1.0 / missing), where=where)


def spread_of(
    thrower: Thrower,
    setting: Setting,
    rng: np.random.Generator,
    balls: int = 2000,
    zone_m: float = 0.15,
    unknown: Unknown = NOTHING,
) -> Spread:
    """Return how `balls` balls of one setting land; `zone_m` is the radius of the landing zone about the aim.

    Without `unknown` the machine and the constants are taken as exact.
    """
    mean = fly_many(launches_with(thrower, setting, 1, Errors()), air=thrower.air, ball=thrower.ball, until="landing")
    share = _share_of_scatter(thrower, setting, rng, unknown)
    parts = []
    # A measured scatter includes the differences between balls; they are not counted twice.
    kinds = min(KINDS_OF_BALL, balls) if unknown.scatter_m is None else 1
    for i in range(kinds):
        ball = thrower.ball
        if unknown.scatter_m is None:
            mass_kg, radius_m = float(rng.uniform(*BALL_MASS_KG)), float(rng.uniform(*BALL_RADIUS_M))
            ball = replace(ball, mass_kg=mass_kg, radius_m=radius_m)
        count = balls // kinds + (1 if i < balls % kinds else 0)
        errors = _errors(thrower, rng, count, unknown, share)
        for shift in unknown.shifts:
            errors = errors.plus(errors_of(shift, rng.standard_normal(count), setting.tilt_deg, thrower))
        launches = launches_with(thrower, setting, count, errors)
        constants = None if unknown.widths is None else draw_constants(rng, count, ball, unknown.widths)
        parts.append(fly_many(launches, air=thrower.air, ball=ball, until="landing", constants=constants))
    found = _summary(parts, float(mean.landing_x_m[0]), float(mean.landing_y_m[0]), zone_m)
    return replace(found, uncalibrated=unknown.uncalibrated)


def _share_of_scatter(thrower: Thrower, setting: Setting, rng: np.random.Generator, unknown: Unknown) -> float:
    """Return the factor on the profile's scatter that makes landings scatter as was measured.

    It is 1 if nothing was measured, or if too few balls land to compare.
    """
    wanted = unknown.landing_sd_m
    if wanted is None:
        return 1.0
    launches = launches_with(thrower, setting, PILOT_BALLS, _errors(thrower, rng, PILOT_BALLS, NOTHING, 1.0))
    depths = fly_many(launches, air=thrower.air, ball=thrower.ball, until="landing").depth_m
    landed = depths[np.isfinite(depths)]
    deviation = float(landed.std(ddof=1)) if len(landed) > PILOT_BALLS / 2 else 0.0
    return wanted / deviation if deviation > 0.0 else 1.0


def _errors(thrower: Thrower, rng: np.random.Generator, n: int, unknown: Unknown, share: float) -> Errors:
    """Draw the errors of n throws: of each wheel, of the release, of the tilt's play, and of the unknown machine.

    `share` scales the errors that move a landing along the table.
    """
    scatter, normal = thrower.scatter, rng.standard_normal
    top, bottom = WHEEL_SHARE * normal(n), WHEEL_SHARE * normal(n)
    speed, spin = scatter.speed_share * normal(n), scatter.spin_share * normal(n)
    tilt = scatter.tilt_play_deg * (rng.random(n) - 0.5) + scatter.angle_deg * normal(n)
    pan = scatter.angle_deg * normal(n)
    if unknown.wheel_share or unknown.tilt_deg:
        top, bottom = top + unknown.wheel_share * normal(n), bottom + unknown.wheel_share * normal(n)
        tilt = tilt + unknown.tilt_deg * normal(n)
    return Errors(share * top, share * bottom, share * speed, share * spin, share * tilt, pan)


def launches_with(thrower: Thrower, setting: Setting, n: int, errors: Errors) -> Launches:
    """Return n launches of one setting, each with its errors."""
    circle_m = 2.0 * math.pi * thrower.ball.radius_m
    half = circle_m * setting.spin_revps
    top, bottom = (setting.speed_mps + half) * (1.0 + errors.top), (setting.speed_mps - half) * (1.0 + errors.bottom)
    tilt = np.full(n, setting.tilt_deg + thrower.tilt_zero_deg) + errors.tilt_deg
    true, pivot_m = np.radians(tilt), thrower.pivot_m + errors.pivot_m
    return launches_from(
        np.full(n, (top + bottom) / 2.0 * (1.0 + errors.speed)),
        np.full(n, (top - bottom) / (2.0 * circle_m) * (1.0 + errors.spin)),
        tilt,
        pan_deg=np.full(n, setting.pan_deg + thrower.yaw_deg) + errors.pan_deg,
        roll_deg=setting.roll_deg,
        height_m=thrower.height_m + errors.height_m + pivot_m * np.sin(true),
        back_m=thrower.back_m + errors.back_m + pivot_m * (1.0 - np.cos(true)),
        offset_m=thrower.sideways_m,
    )


def _summary(parts: list[FlightBatch], aim_x_m: float, aim_y_m: float, zone_m: float) -> Spread:
    valid = np.concatenate([part.valid for part in parts])
    x, y = (np.concatenate([getattr(part, name) for part in parts]) for name in ("landing_x_m", "landing_y_m"))
    clearance = np.concatenate([part.net_clearance_m for part in parts])
    nets = np.concatenate([part.touches_net for part in parts])
    points = np.column_stack([x[valid] - NET_X_M, y[valid]])
    n, good = len(valid), len(points)
    if math.isfinite(aim_x_m):
        inside = np.hypot(points[:, 0] - (aim_x_m - NET_X_M), points[:, 1] - aim_y_m) <= zone_m
    else:
        inside = np.zeros(good, dtype=bool)
    return Spread(
        balls=n,
        share_good=good / n,
        share_over_net=float(np.mean(np.isfinite(clearance) & ~nets & (clearance > 0.0))),
        share_in_zone=float(inside.sum()) / n,
        depth_m=float(points[:, 0].mean()) if good else None,
        side_m=float(points[:, 1].mean()) if good else None,
        depth_sd_m=float(points[:, 0].std(ddof=1)) if good > 1 else None,
        side_sd_m=float(points[:, 1].std(ddof=1)) if good > 1 else None,
        ellipse=_ellipse(points) if good > 2 else None,
        points=points,
    )


def _ellipse(points: Array) -> Ellipse:
    """Return the ellipse of nine in ten of a 2D normal distribution: half axes of sqrt(-2 ln 0.1) deviations."""
    sizes, axes = np.linalg.eigh(np.cov(points.T))
    reach = math.sqrt(-2.0 * math.log(0.1))
    long = axes[:, 1] if axes[0, 1] >= 0 else -axes[:, 1]
    angle = math.degrees(math.atan2(long[1], long[0]))
    return Ellipse(reach * math.sqrt(max(sizes[1], 0.0)), reach * math.sqrt(max(sizes[0], 0.0)), angle)
