"""Calibrate: fit a machine to a builder's measurements: slope and offset of each wheel, tilt zero, and drag.

The fit is least squares with a prior (slopes near 1, offsets near 0, drag near its default), so that any mixture and
number of measurements gives an answer. Values that the data cannot tell stay at their defaults and are named. The
landing scatter comes from the residuals, the uncertainty from the normal approximation about the best fit (Laplace).
"""

import math
from dataclasses import dataclass

import numpy as np
from scipy.stats import chi2

from drillfeed.daemon.aim.expected import Problem, defaults
from drillfeed.daemon.aim.marks import Mark, exchanged
from drillfeed.daemon.aim.thrower import Array, Thrower
from drillfeed.protocol.texts.catalogue import text

NAMES = ("top_slope", "top_offset_mps", "bottom_slope", "bottom_offset_mps", "tilt_zero_deg", "drag")
# The prior before any ball is thrown, as standard deviations: defaults of ours for home-built machines. For drag it is
# the spread of published values about 0.55.
BELIEF_SD = np.array([0.06, 0.40, 0.06, 0.40, 2.0, 0.04])
FIRST_SCATTER_M = 0.05
MIN_SCATTER_M = 0.005
MIN_BALLS = 8
MIN_ROWS = 6  # of landings: fewer can't tell the scatter
TURNS = 12
CANNOT_TELL = 0.6  # share of the prior's deviation that is left: the data say almost nothing
LANDING_ZONE_M = 0.15
# How far from the prior the values may lie, all taken together: one machine in 10,000 lies farther.
FARTHEST = float(chi2.ppf(0.9999, len(NAMES)))
EXCHANGED = 13.8  # difference in -2 log likelihood: the exchanged rows are a thousand times likelier


@dataclass(frozen=True)
class Fit:
    """Hold a fitted machine: values and covariance, scatter of single landings, and what the data can't tell."""

    values: Array
    covariance: Array
    scatter_m: float | None
    balls: int
    degrees: float
    open: tuple[str, ...]
    refused: str | None

    def value(self, name: str) -> float:
        """Return one fitted value."""
        return float(self.values[NAMES.index(name)])

    def sd(self, name: str) -> float:
        """Return the standard deviation of one fitted value."""
        return math.sqrt(float(self.covariance[NAMES.index(name), NAMES.index(name)]))


def fit(thrower: Thrower, marks: list[Mark], zone_m: float = LANDING_ZONE_M) -> Fit:
    """Return the machine fitted to the marks; `refused` says why it does not count as calibrated, if so."""
    belief = defaults(thrower)
    problem = Problem(thrower, tuple(marks))
    scatter = FIRST_SCATTER_M
    first, covariance = settle(problem, belief, belief, scatter)
    values = first
    landings = sum(m.balls for m in marks if m.depth_m is not None)
    rows = sum(1 for m in marks if m.depth_m is not None)
    degrees, known = math.inf, rows >= MIN_ROWS
    if known:
        for _ in range(2):
            learned = float(np.sum(1.0 - np.diag(covariance) / BELIEF_SD**2))
            degrees = max(rows - learned, 2.0)
            scatter = max(math.sqrt(problem.landing_squares(values) / degrees), MIN_SCATTER_M)
            values, covariance = settle(problem, values, belief, scatter)
    left = np.sqrt(np.diag(covariance)) / BELIEF_SD
    balls = sum(m.balls for m in marks)
    refused = _too_few(scatter if known else None, landings, rows)
    refused = refused or _not_a_machine(problem, first, values, belief) or _too_wide(scatter, zone_m)
    return Fit(
        values=values,
        covariance=covariance,
        scatter_m=scatter if known else None,
        balls=balls,
        degrees=degrees,
        open=tuple(name for name, share in zip(NAMES, left, strict=True) if share > CANNOT_TELL),
        refused=refused,
    )


def _too_few(scatter_m: float | None, landings: int, rows: int) -> str | None:
    if not landings:
        return text("calibrate.no-landing")
    if landings < MIN_BALLS or scatter_m is None:
        return text("calibrate.too-few", landings=landings, rows=rows, min_landings=MIN_BALLS, min_rows=MIN_ROWS)
    return None


def _not_a_machine(problem: Problem, first: Array, values: Array, belief: Array) -> str | None:
    """Say why no real machine can fit the rows; None if one can. `first` are the best values at `FIRST_SCATTER_M`."""
    turned = Problem(problem.thrower, tuple(exchanged(m) for m in problem.marks))
    other, _ = settle(turned, belief, belief, FIRST_SCATTER_M)
    plausible = _far(other, belief) <= FARTHEST
    if plausible and _unlikely(turned, other, belief) + EXCHANGED < _unlikely(problem, first, belief):
        return text("calibrate.exchanged")
    if _far(values, belief) <= FARTHEST:
        return None
    usual = [
        text("calibrate.usual", name=name, value=value, middle=middle, two_sd=2.0 * sd)
        for name, value, middle, sd in zip(NAMES, values, belief, BELIEF_SD, strict=True)
        if abs(value - middle) > 2.0 * sd
    ]
    return text("calibrate.no-machine", usual=", ".join(usual))


def _unlikely(problem: Problem, values: Array, belief: Array) -> float:
    """Return how unlikely it is that a machine with these values gave the rows.

    The measure is -2 log likelihood: squared misses, each no more than `FARTHEST`, plus the distance from the prior.
    """
    (misses,) = problem.misses([values], FIRST_SCATTER_M)
    return float(np.sum(np.minimum(misses**2, FARTHEST))) + _far(values, belief)


def _far(values: Array, belief: Array) -> float:
    return float(np.sum(((values - belief) / BELIEF_SD) ** 2))


def _too_wide(scatter_m: float, zone_m: float) -> str | None:
    if scatter_m <= zone_m:
        return None
    return text("calibrate.loose", scatter_cm=100 * scatter_m, zone_cm=100 * zone_m)


def settle(problem: Problem, start: Array, belief: Array, scatter_m: float) -> tuple[Array, Array]:
    """Return best values and covariance by Gauss-Newton with shortened steps (least squares with a prior)."""

    def cost(values: Array, misses: Array) -> float:
        return float(misses @ misses + np.sum(((values - belief) / BELIEF_SD) ** 2))

    values, best = start.copy(), math.inf
    weight = np.diag(1.0 / BELIEF_SD**2)
    for _ in range(TURNS):
        misses, slopes = problem.linear(values, scatter_m)
        best = cost(values, misses)
        normal = slopes.T @ slopes + weight
        pull = slopes.T @ misses + (values - belief) / BELIEF_SD**2
        step: Array = np.asarray(-np.linalg.solve(normal, pull), dtype=np.float64)
        gained = 0.0
        for share in (1.0, 0.4, 0.1):
            trial = values + share * step
            gained = best - cost(trial, problem.misses([trial], scatter_m)[0])
            if gained > 0.0:
                values = trial
                break
        if gained < 1e-3:
            break
    covariance: Array = np.asarray(np.linalg.inv(normal), dtype=np.float64)
    return values, covariance
