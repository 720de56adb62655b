"""Where marks are expected to land by a calibration, and how surely, to hold against landings that were drawn."""

import math

import numpy as np
from scipy.stats import t as student

from drillfeed.daemon.aim.calibrate import Fit
from drillfeed.daemon.aim.expected import NUDGE, Problem, nudged
from drillfeed.daemon.aim.marks import Mark
from drillfeed.daemon.aim.thrower import Thrower
from drillfeed.daemon.physics.motion import Array


def expected_depths(thrower: Thrower, values: Array, marks: list[Mark]) -> Array:
    """Return the mean depths past the net, in m, at the marks' settings on a machine with the given values."""
    return Problem(thrower, tuple(marks)).depths([values])[0]


def landing_interval(thrower: Thrower, found: Fit, marks: list[Mark], share: float = 0.90) -> tuple[Array, Array]:
    """Return the mean landing (depth past the net, m) at settings, and the half width of its interval."""
    problem = Problem(thrower, tuple(marks))
    depth, *moved = problem.depths([found.values, *nudged(found.values)])
    jacobian = np.array([(m - depth) / nudge for m, nudge in zip(moved, NUDGE, strict=True)]).T
    variance = np.einsum("ij,jk,ik->i", jacobian, found.covariance, jacobian)
    degrees = found.degrees if math.isfinite(found.degrees) else 1e9
    return depth, float(student.ppf(0.5 + share / 2.0, degrees)) * np.sqrt(variance)
