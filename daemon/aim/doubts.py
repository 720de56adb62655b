"""Rows of a calibration that do not fit the others, found by a robust fit, which one wrong figure cannot distort.

The fit uses Cauchy's loss (scipy's `least_squares`; Huber 1981, Robust Statistics, chapter 7) for measurements and
plain squares for the prior. The scatter comes from the median of the misses (Hampel 1974). An ordinary fit of the rows
that agree then judges all rows again, so that only rows far from what the others predict are named.
"""

import math
from dataclasses import dataclass
from typing import Any

import numpy as np
from scipy.optimize import least_squares

from drillfeed.daemon.aim.calibrate import BELIEF_SD, FIRST_SCATTER_M, LANDING_ZONE_M, MIN_ROWS, settle
from drillfeed.daemon.aim.expected import Problem, defaults
from drillfeed.daemon.aim.marks import Mark, exchanged
from drillfeed.daemon.aim.thrower import Array, Thrower
from drillfeed.protocol.texts.catalogue import text

SUSPECT = 3.0  # deviations: such a row is left out of the fit that judges
DOUBTFUL = 4.0  # deviations from the fit of the others: such a row is named if it also misses the landing zone
DOUBTFUL_WHEEL = 6.0  # the same for timings and counts, whose deviations are assumed, not measured
MIN_SCATTER_M = 0.02
MEDIAN_TO_SD = 1.4826
LEARNED = 4  # values that a usual set of landings can tell


@dataclass(frozen=True)
class Doubt:
    """Hold a row that does not fit the others: its index in the list of marks, and what is wrong in words."""

    index: int
    text: str


def doubts(thrower: Thrower, marks: list[Mark]) -> tuple[Doubt, ...]:
    """Return the rows that do not fit the others, in their order; none if there are too few rows to tell."""
    problem = Problem(thrower, tuple(marks))
    measures = problem.measures()
    landings = np.array([what == "landing" for _, what in measures])
    if landings.sum() < MIN_ROWS + 2:
        return ()
    belief, scatter_m = defaults(thrower), FIRST_SCATTER_M
    # A robust fit that starts far away finds every row wrong, so an ordinary fit comes first.
    near, _ = settle(problem, belief, belief, scatter_m)
    values = _robust(problem, near, belief, scatter_m)
    scatter_m = _median_scatter_m(problem.misses([values], 1.0)[0][landings])
    values = _robust(problem, values, belief, scatter_m)
    misses = problem.misses([values], scatter_m)[0]
    suspects = {i for (i, _), miss in zip(measures, misses, strict=True) if abs(miss) > SUSPECT}
    agreeing = Problem(thrower, tuple(m for i, m in enumerate(marks) if i not in suspects))
    values, _ = settle(agreeing, values, belief, scatter_m)
    rows = sum(1 for m in agreeing.marks if m.depth_m is not None)
    agreed_m = math.sqrt(agreeing.landing_squares(values) / max(rows - LEARNED, 2))
    return _named(problem, values, max(scatter_m, agreed_m))


def _robust(problem: Problem, start: Array, belief: Array, scatter_m: float) -> Array:
    count = len(problem.measures())

    def misses(values: Array) -> Array:
        return np.concatenate([problem.misses([values], scatter_m)[0], (values - belief) / BELIEF_SD])

    def slopes(values: Array) -> Array:
        return np.concatenate([problem.linear(values, scatter_m)[1], np.diag(1.0 / BELIEF_SD)])

    def loss(squares: Array) -> Array:
        plain = np.array([squares, np.ones_like(squares), np.zeros_like(squares)])
        inner = 1.0 + squares[:count]
        plain[:, :count] = np.log(inner), 1.0 / inner, -1.0 / inner**2
        return plain

    own: Any = loss  # scipy's stubs know only the names of its own losses
    found = least_squares(misses, start, slopes, loss=own, f_scale=2.0, x_scale=BELIEF_SD, xtol=1e-4, max_nfev=30)
    values: Array = found.x
    return values


def _median_scatter_m(misses_m: Array) -> float:
    rows = len(misses_m)
    few = math.sqrt(rows / max(rows - LEARNED, 2))
    return max(MEDIAN_TO_SD * float(np.median(np.abs(misses_m))) * few, MIN_SCATTER_M)


def _named(problem: Problem, values: Array, scatter_m: float) -> tuple[Doubt, ...]:
    """Return the rows that lie far from what the values predict, each with its figures."""
    (depths,) = problem.depths([values])
    turned = Problem(problem.thrower, tuple(exchanged(m) for m in problem.marks))
    (other_depths,) = turned.depths([values])
    found: dict[int, list[str]] = {}
    misses = problem.misses([values], scatter_m)[0]
    for (i, what), miss in zip(problem.measures(), misses, strict=True):
        m = problem.marks[i]
        if what != "landing":
            if abs(miss) > DOUBTFUL_WHEEL:
                found.setdefault(i, []).append(text("doubt.misfit", what=text(what)))
            continue
        assert m.depth_m is not None
        off_m = m.depth_m - float(depths[i])
        if abs(miss) <= DOUBTFUL or abs(off_m) < LANDING_ZONE_M:
            continue
        line = text("doubt.landed", landed_cm=100 * m.depth_m, expected_cm=100 * depths[i])
        if m.top_rpm != m.bottom_rpm and abs(m.depth_m - float(other_depths[i])) < 2.0 * scatter_m:
            line += text("doubt.exchanged")
        found.setdefault(i, []).append(line)
    return tuple(Doubt(i, f"{_place(problem.marks[i], i)}: {', '.join(texts)}") for i, texts in sorted(found.items()))


def _place(m: Mark, index: int) -> str:
    where = text("doubt.line", line=m.line) if m.line else text("doubt.row", row=index + 1)
    return text("doubt.place", where=where, top_rpm=m.top_rpm, bottom_rpm=m.bottom_rpm, tilt_deg=m.tilt_deg)
