"""The ball nearest to an intent that a machine can throw, on a lattice of round figures.

    fit(thrower, intent, accept) -> Bent | None

Rule of this file: no chance and no state, so the same machine gets the same ball. Distances are in tolerances: a ball
bent by its whole tolerance of speed and of spin is sqrt(2) away. Speed and spin come first, since the wheels limit them
most often; only if the nearest pair can't land at the depth wanted does a table of flights look for another.
"""

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from drillfeed.daemon.aim.request import Arc
from drillfeed.daemon.aim.thrower import Array, Span, Thrower, launches_by, rims_to_tell_many
from drillfeed.daemon.physics.flight_batch import fly_many
from drillfeed.daemon.physics.thrower import within_limits

SPEED_STEP_MPS, SPIN_STEP_REVPS, DEPTH_STEP_M = 0.1, 1.0, 0.01  # of the lattice, counted from the ball as written
COARSE: dict[Arc, tuple[int, int, float]] = {"low": (2, 4, 2.5), "high": (2, 4, 1.25), "serve-wise": (2, 4, 2.5)}
"""The first look: every so many steps of speed, so many spins, degrees of tilt. High arcs begin near their turn."""
FINE_TILT_DEG, FINE_REACH_DEG = 1.0, 6.0  # of the second look, about the best of the first
ARC_TILTS_DEG: dict[Arc, Span] = {"low": (-15.0, 55.0), "high": (25.0, 85.0), "serve-wise": (-60.0, 15.0)}
FIRST_ROUGH, ROUGH = 8.0, 4.0
SLACK_M = 0.02  # a look between two tilts may be off by this much
MAX_TRIES = 10


@dataclass(frozen=True)
class Intent:
    """Hold a ball as written and how far each figure may be bent. Spin is what the wheels give, at a roll.

    `apex_m` is the span of heights allowed, None if any height will do. `min_clearance_m` is the least height over the
    tape.
    """

    speed_mps: float
    spin_revps: float
    depth_m: float
    arc: Arc
    speed_reach_mps: float
    spin_reach_revps: float
    depth_reach_m: float
    min_clearance_m: float
    apex_m: Span | None = None
    roll_deg: float = 0.0

    def far(self, speed_mps: Array, spin_revps: Array, depth_m: Array | float) -> Array:
        """Return the squared distance of balls from this one, in tolerances; a reach of 0 allows no change."""
        parts = (
            (speed_mps - self.speed_mps, self.speed_reach_mps),
            (spin_revps - self.spin_revps, self.spin_reach_revps),
            (depth_m - self.depth_m, self.depth_reach_m),
        )
        far = np.zeros(speed_mps.shape)
        for change, reach in parts:
            far += np.square(change / reach) if reach else 0.0
        return far


@dataclass(frozen=True)
class Bent:
    """Hold the figures of a ball after fitting."""

    speed_mps: float
    spin_revps: float
    depth_m: float


def fit(thrower: Thrower, intent: Intent, accept: Callable[[Bent], bool]) -> Bent | None:
    """Return the nearest ball that `accept` takes, None if the look finds none within the tolerances.

    `accept` flies a ball exactly. `thrower.limits` should leave whatever margin the wheels need.
    """
    pairs = _pairs(thrower, intent)
    if not len(pairs):
        return None
    first = _bent(intent, pairs[0, 0], pairs[0, 1], 0.0)
    if accept(first):
        return first
    low, high = _tilts(thrower, intent)
    if low >= high:
        return None
    speed_step, spins, tilt_step = COARSE[intent.arc]
    cell = np.array([speed_step, max(1, round(float(np.ptp(pairs[:, 1])) / spins))])
    coarse = _options(thrower, intent, _thinned(pairs, cell), _steps(low, high, tilt_step), FIRST_ROUGH)
    if not len(coarse):
        return None
    speed, spin, _, tilt_deg = coarse[0]
    near = pairs[(abs(pairs - (speed, spin)) <= cell).all(axis=1)]
    tilts = _steps(max(low, tilt_deg - FINE_REACH_DEG), min(high, tilt_deg + FINE_REACH_DEG), FINE_TILT_DEG)
    for option in _options(thrower, intent, near, tilts, ROUGH)[:MAX_TRIES]:
        bent = _bent(intent, option[0], option[1], option[2])
        if bent != first and accept(bent):
            return bent
    return None


def _bent(intent: Intent, speed_steps: float, spin_steps: float, depth_steps: float) -> Bent:
    return Bent(
        round(intent.speed_mps + float(speed_steps) * SPEED_STEP_MPS, 4),
        round(intent.spin_revps + float(spin_steps) * SPIN_STEP_REVPS, 4),
        round(intent.depth_m + float(depth_steps) * DEPTH_STEP_M, 4),
    )


def _count(reach: float, step: float) -> int:
    return int(reach / step + 1e-9)


def _pairs(thrower: Thrower, intent: Intent) -> Array:
    """Return the pairs of speed and spin within the tolerances and the wheels' limits, (n, 2) steps, nearest first."""
    speed_count = _count(intent.speed_reach_mps, SPEED_STEP_MPS)
    spin_count = _count(intent.spin_reach_revps, SPIN_STEP_REVPS)
    axes = (np.arange(-count, count + 1.0) for count in (speed_count, spin_count))
    steps = np.array([axis.ravel() for axis in np.meshgrid(*axes, indexing="ij")]).T
    speed_mps, spin_revps = _values(intent, steps)
    top_mps, bottom_mps = rims_to_tell_many(thrower, speed_mps, spin_revps)
    kept = within_limits(top_mps, bottom_mps, thrower.limits)
    steps, far = steps[kept], intent.far(speed_mps[kept], spin_revps[kept], intent.depth_m)
    nearest_first: Array = steps[np.lexsort((steps[:, 1], steps[:, 0], np.round(far, 9)))]
    return nearest_first


def _values(intent: Intent, steps: Array) -> tuple[Array, Array]:
    return intent.speed_mps + steps[:, 0] * SPEED_STEP_MPS, intent.spin_revps + steps[:, 1] * SPIN_STEP_REVPS


def _thinned(pairs: Array, cell: Array) -> Array:
    """Return the pairs of the first look: the nearest one, and a coarser lattice over all."""
    on_grid = (pairs % cell == 0).all(axis=1)
    on_grid[0] = True
    thinned: Array = pairs[on_grid]
    return thinned


def _steps(low: float, high: float, step: float) -> Array:
    return np.linspace(low, high, max(2, math.ceil((high - low) / step - 1e-9) + 1))


def _tilts(thrower: Thrower, intent: Intent) -> Span:
    """Return the tilts that can throw an arc: no ball lands serve-wise from far above level, or high from below."""
    low, high = ARC_TILTS_DEG[intent.arc]
    return max(low, thrower.tilt_deg[0]), min(high, thrower.tilt_deg[1])


def _options(thrower: Thrower, intent: Intent, pairs: Array, tilts: Array, rough: float) -> Array:
    """Return what the pairs can land within the tolerances, nearest first: (n, 4) steps of speed, spin, depth; tilt.

    Each pair is flown at every tilt. Between two neighbouring tilts the figures are taken as straight lines.
    """
    speed_mps, spin_revps = _values(intent, np.repeat(pairs, len(tilts), axis=0))
    tilt_deg = np.tile(tilts, len(pairs))
    launches = launches_by(thrower, speed_mps, spin_revps, tilt_deg, 0.0, intent.roll_deg)
    flights = fly_many(launches, air=thrower.air, ball=thrower.ball, until="landing", rough=rough)
    serve = flights.own_half_bounces == 1
    legal = flights.valid & (serve == (intent.arc == "serve-wise"))
    shape = (len(pairs), len(tilts))
    depth = np.where(legal, flights.depth_m, np.nan).reshape(shape)
    before, after = depth[:, :-1], depth[:, 1:]
    steps = (depth - intent.depth_m) / DEPTH_STEP_M
    low, high = np.minimum(steps[:, :-1], steps[:, 1:]), np.maximum(steps[:, :-1], steps[:, 1:])
    reach = _count(intent.depth_reach_m, DEPTH_STEP_M)
    with np.errstate(invalid="ignore"):
        first, last = np.maximum(np.ceil(low - 1e-6), -reach), np.minimum(np.floor(high + 1e-6), reach)
        nearest = np.clip(0.0, first, last)
        share = np.where(high > low, (nearest - steps[:, :-1]) / (steps[:, 1:] - steps[:, :-1]), 0.0)
        rises = {"low": after > before, "high": after < before, "serve-wise": np.isfinite(after - before)}
        fits = rises[intent.arc] & (first <= last)
    for figure, (lowest, highest) in (
        (flights.net_clearance_m, (intent.min_clearance_m, math.inf)),
        (flights.apex_m, intent.apex_m or (-math.inf, math.inf)),
    ):
        table = figure.reshape(shape)
        there = table[:, :-1] + share * (table[:, 1:] - table[:, :-1])
        fits &= (there >= lowest - SLACK_M) & (there <= highest + SLACK_M)
    rows, columns = np.nonzero(fits)
    speed, spin = pairs[rows].T
    depth_steps, part = nearest[rows, columns], share[rows, columns]
    tilt = tilts[columns] + part * (tilts[columns + 1] - tilts[columns])
    mps, revps = _values(intent, pairs[rows])
    far = np.round(intent.far(mps, revps, intent.depth_m + depth_steps * DEPTH_STEP_M), 9)
    found: Array = np.array([speed, spin, depth_steps, tilt]).T[np.lexsort((tilt, spin, speed, far))]
    return found
