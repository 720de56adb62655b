"""Spread: how wheel error, tilt play, release scatter and ball tolerances move the landing of one setting.

Monte Carlo over arrays of balls: the mean of what leaves is what the setting says, each ball differs by its own draw.
"""

import math
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from drillfeed.daemon.aim.thrower import Thrower
from drillfeed.daemon.physics.launch import Launches, launches_from
from drillfeed.daemon.physics.table import NET_X_M
from drillfeed.daemon.physics.volley import Volley, fly_many

Array = NDArray[np.float64]
# Approval limits of plastic balls (ITTF leaflet T3, quoted): 2.67-2.77 g, 40.00-40.60 mm. A hopper is taken as this
# many different balls, evenly out of both spans.
BALL_MASS_KG = (0.00267, 0.00277)
BALL_RADIUS_M = (0.02000, 0.02030)
KINDS_OF_BALL = 8
WHEEL_SHARE = 0.01  # standard deviation of each wheel's rim speed within the ready band of 2 %: a default of ours
WARN_SHARE = 0.05


@dataclass(frozen=True)
class Setting:
    """Hold one setting of the axes as told, and the launch it means: m/s, rev/s, degrees."""

    speed_mps: float
    spin_revps: float
    tilt_deg: float
    pan_deg: float = 0.0
    roll_deg: float = 0.0


@dataclass(frozen=True)
class Ellipse:
    """Hold the ellipse that nine landings in ten lie in: half axes in m, and the long one's angle from the table's."""

    long_m: float
    short_m: float
    angle_deg: float


@dataclass(frozen=True)
class Spread:
    """Hold how n balls of one setting land. Means and deviations are over legal balls, None where there is none."""

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

    @property
    def warning(self) -> str | None:
        """Return what to say when more than one ball in twenty misses."""
        missing = 1.0 - self.share_good
        if missing < WARN_SHARE:
            return None
        if missing > 0.995:
            return "none of these will land on the table on this machine"
        if missing > 0.5:
            return f"{round(10 * missing)} in 10 of these will miss the table on this machine"
        return f"1 in {round(1.0 / missing)} of these will miss the table on this machine"


def spread_of(
    thrower: Thrower, setting: Setting, rng: np.random.Generator, balls: int = 2000, zone_m: float = 0.15
) -> Spread:
    """Return how `balls` balls of one setting land; `zone_m` is the radius of the landing zone about the aim."""
    mean = fly_many(_launches(thrower, setting, 1, None), air=thrower.air, ball=thrower.ball, until="landing")
    parts = []
    kinds = min(KINDS_OF_BALL, balls)
    for i in range(kinds):
        ball = replace(
            thrower.ball, mass_kg=float(rng.uniform(*BALL_MASS_KG)), radius_m=float(rng.uniform(*BALL_RADIUS_M))
        )
        count = balls // kinds + (1 if i < balls % kinds else 0)
        launches = _launches(thrower, setting, count, rng)
        parts.append(fly_many(launches, air=thrower.air, ball=ball, until="landing"))
    return _summary(parts, float(mean.landing_x_m[0]), float(mean.landing_y_m[0]), zone_m)


def _launches(thrower: Thrower, setting: Setting, n: int, rng: np.random.Generator | None) -> Launches:
    """Draw n launches: each wheel's own error, then the release's, then the tilt's play; none without `rng`."""
    scatter, circle_m = thrower.scatter, 2.0 * math.pi * thrower.ball.radius_m
    speed, spin = np.full(n, setting.speed_mps), np.full(n, setting.spin_revps)
    tilt, pan = np.full(n, setting.tilt_deg + thrower.tilt_zero_deg), np.full(n, setting.pan_deg + thrower.yaw_deg)
    if rng is not None:
        half = circle_m * setting.spin_revps
        top = (setting.speed_mps + half) * (1.0 + WHEEL_SHARE * rng.standard_normal(n))
        bottom = (setting.speed_mps - half) * (1.0 + WHEEL_SHARE * rng.standard_normal(n))
        speed = (top + bottom) / 2.0 * (1.0 + scatter.speed_share * rng.standard_normal(n))
        spin = (top - bottom) / (2.0 * circle_m) * (1.0 + scatter.spin_share * rng.standard_normal(n))
        play = scatter.tilt_play_deg * (rng.random(n) - 0.5)
        tilt = tilt + play + scatter.angle_deg * rng.standard_normal(n)
        pan = pan + scatter.angle_deg * rng.standard_normal(n)
    true = np.radians(tilt)
    return launches_from(
        speed,
        spin,
        tilt,
        pan_deg=pan,
        roll_deg=setting.roll_deg,
        height_m=thrower.height_m + thrower.pivot_m * np.sin(true),
        back_m=thrower.back_m + thrower.pivot_m * (1.0 - np.cos(true)),
        offset_m=thrower.sideways_m,
    )


def _summary(parts: list[Volley], aim_x_m: float, aim_y_m: float, zone_m: float) -> Spread:
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
    """Return the ellipse of nine in ten of a two-dimensional normal law: half axes sqrt(-2 ln 0.1) deviations long."""
    sizes, axes = np.linalg.eigh(np.cov(points.T))
    reach = math.sqrt(-2.0 * math.log(0.1))
    long = axes[:, 1] if axes[0, 1] >= 0 else -axes[:, 1]
    angle = math.degrees(math.atan2(long[1], long[0]))
    return Ellipse(reach * math.sqrt(max(sizes[1], 0.0)), reach * math.sqrt(max(sizes[0], 0.0)), angle)
