"""Calibrate: learn a machine from what a builder measured: per-wheel slope and offset, tilt zero, drag if it shows.

Least squares with what is believed beforehand (slopes near 1, offsets near 0, drag near its default), so that any
mixture and number of measurements gives an answer, and what the data cannot tell stays at its default and is named.
The landing scatter is taken from the residuals. Uncertainty: the normal approximation about the best fit (Laplace).
"""

import math
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy.stats import t as student

from drillfeed.daemon.aim.hops import look_at_many
from drillfeed.daemon.aim.marks import Mark
from drillfeed.daemon.aim.thrower import Thrower, ball_from, rims_of
from drillfeed.daemon.physics.launch import Launches, launches_from
from drillfeed.daemon.physics.motion import law_of
from drillfeed.daemon.physics.table import NET_X_M
from drillfeed.daemon.physics.thrower import RimLine, rim_mps

Array = NDArray[np.float64]
NAMES = ("top_slope", "top_offset_mps", "bottom_slope", "bottom_offset_mps", "tilt_zero_deg", "drag")
# What is believed before any ball is thrown, as standard deviations: defaults of ours for home-built machines. Drag:
# the spread of published values about 0.55.
BELIEF_SD = np.array([0.06, 0.40, 0.06, 0.40, 2.0, 0.04])
NUDGE = np.array([1e-3, 5e-3, 1e-3, 5e-3, 2e-2, 2e-3])
FIRST_SCATTER_M = 0.05
LEAST_SCATTER_M = 0.005
LEAST_BALLS = 8
LEAST_ROWS = 6  # of landings: with fewer the scatter is anyone's guess
GATE_FRAMES_SD = 0.41  # of a time between two frames, both cut to whole frames: sqrt(2/12)
DEFAULT_FPS = 120.0
SPIN_SD = 0.03
TACH_SD = 0.02  # a tachometer sees the wheel, not how the ball slips on it
TURNS = 12
CANNOT_TELL = 0.6  # of the belief's deviation left: the data hardly said anything
LANDING_ZONE_M = 0.15


@dataclass(frozen=True)
class Fit:
    """Hold a fitted machine: values and deviations by name, scatter of single landings, what the data leave open."""

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
        """Return its standard deviation."""
        return math.sqrt(float(self.covariance[NAMES.index(name), NAMES.index(name)]))


def calibrated(thrower: Thrower, values: Array) -> Thrower:
    """Return a machine with fitted values put in."""
    top_slope, top_offset, bottom_slope, bottom_offset, tilt_zero, drag = (float(v) for v in values)
    return replace(
        thrower,
        top_line=RimLine(top_slope, top_offset),
        bottom_line=RimLine(bottom_slope, bottom_offset),
        tilt_zero_deg=tilt_zero,
        ball=replace(thrower.ball, drag=drag),
        calibrated=True,
    )


def defaults(thrower: Thrower) -> Array:
    """Return the values of a machine that has not been measured."""
    return np.array([1.0, 0.0, 1.0, 0.0, 0.0, thrower.ball.drag])


def fit(thrower: Thrower, marks: list[Mark], zone_m: float = LANDING_ZONE_M) -> Fit:
    """Return the machine that the marks speak for; `refused` says why it must not be called calibrated, if so."""
    belief = defaults(thrower)
    problem = _Problem(thrower, tuple(marks))
    scatter = FIRST_SCATTER_M
    values, covariance = _settle(problem, belief, belief, scatter)
    landings = sum(m.balls for m in marks if m.depth_m is not None)
    rows = sum(1 for m in marks if m.depth_m is not None)
    degrees, known = math.inf, rows >= LEAST_ROWS
    if known:
        for _ in range(2):
            learned = float(np.sum(1.0 - np.diag(covariance) / BELIEF_SD**2))
            degrees = max(rows - learned, 2.0)
            scatter = max(math.sqrt(problem.landing_squares(values) / degrees), LEAST_SCATTER_M)
            values, covariance = _settle(problem, values, belief, scatter)
    left = np.sqrt(np.diag(covariance)) / BELIEF_SD
    balls = sum(m.balls for m in marks)
    return Fit(
        values=values,
        covariance=covariance,
        scatter_m=scatter if known else None,
        balls=balls,
        degrees=degrees,
        open=tuple(name for name, share in zip(NAMES, left, strict=True) if share > CANNOT_TELL),
        refused=_refusal(scatter if known else None, landings, rows, zone_m),
    )


def _refusal(scatter_m: float | None, landings: int, rows: int, zone_m: float) -> str | None:
    if not landings:
        return "no landing was measured: wheel figures alone do not tell where balls land"
    if landings < LEAST_BALLS or scatter_m is None:
        return f"{landings} landings in {rows} rows; at least {LEAST_BALLS} in {LEAST_ROWS} rows tell how balls scatter"
    if scatter_m > zone_m:
        return (
            f"landings scatter by {100 * scatter_m:.0f} cm about the fit, more than the landing zone's "
            f"{100 * zone_m:.0f} cm: look for a loose part, worn tyres or a wrong figure in the file"
        )
    return None


def landing_interval(thrower: Thrower, found: Fit, marks: list[Mark], share: float = 0.90) -> tuple[Array, Array]:
    """Return the mean landing (depth past the net, m) at settings, and the half width of its interval."""
    problem = _Problem(thrower, tuple(marks))
    depth, *moved = problem.depths([found.values, *_nudged(found.values)])
    jacobian = np.array([(m - depth) / nudge for m, nudge in zip(moved, NUDGE, strict=True)]).T
    variance = np.einsum("ij,jk,ik->i", jacobian, found.covariance, jacobian)
    degrees = found.degrees if math.isfinite(found.degrees) else 1e9
    return depth, float(student.ppf(0.5 + share / 2.0, degrees)) * np.sqrt(variance)


@dataclass(frozen=True)
class _Problem:
    """Hold machine and marks; `misses` are measured less expected, each over its own deviation."""

    thrower: Thrower
    marks: tuple[Mark, ...]

    def depths(self, several: list[Array]) -> list[Array]:
        """Return where balls land on average at each mark's setting, for several sets of values at once."""
        found: list[Array] = [np.empty(0)] * len(several)
        for drag in {float(values[-1]) for values in several}:
            some = [i for i, values in enumerate(several) if float(values[-1]) == drag]
            machines = [calibrated(self.thrower, several[i]) for i in some]
            parts = np.split(self._land(machines), len(some))
            for i, part in zip(some, parts, strict=True):
                found[i] = part
        return found

    def _land(self, machines: list[Thrower]) -> Array:
        """Return depths past the net on an endless table, one machine's marks after the other's; one drag for all."""
        some = machines[0]
        launches = self._launches(machines)
        law = law_of(some.ball, some.air)
        direct, serve = look_at_many(launches, law, some.ball, arrival=False, noting=False, rough=5.0)
        assert serve is not None
        own_half = (direct.first_x_m >= 0.0) & (direct.first_x_m < NET_X_M - 0.05) & np.isfinite(serve.depth_m)
        measured = np.array([math.nan if m.depth_m is None else m.depth_m for m in self.marks] * len(machines))
        # A mark before the net is the first touch itself; past the net, an own-half first touch means serve-wise.
        depth: Array = np.where(own_half & ~(measured < 0.0), serve.depth_m, direct.depth_m)
        return depth

    def _launches(self, machines: list[Thrower]) -> Launches:
        rows = [
            (*ball_from(one, rims_of(one, m.top_rpm, m.bottom_rpm)), m.tilt_deg + one.tilt_zero_deg)
            for one in machines
            for m in self.marks
        ]
        speed, spin, tilt = np.array(rows).T
        true, first = np.radians(tilt), machines[0]
        return launches_from(
            speed,
            spin,
            tilt,
            height_m=first.height_m + first.pivot_m * np.sin(true),
            back_m=first.back_m + first.pivot_m * (1.0 - np.cos(true)),
        )

    def misses(self, several: list[Array], scatter_m: float) -> list[Array]:
        """Return every measurement's miss over its deviation, for several sets of values at once."""
        measured = [i for i, m in enumerate(self.marks) if m.depth_m is not None]
        depths = self.depths(several) if measured else [np.empty(0)] * len(several)
        found = []
        for values, depth in zip(several, depths, strict=True):
            machine = calibrated(self.thrower, values)
            row = [self._landing_miss(i, float(depth[i])) / scatter_m for i in measured]
            for m in self.marks:
                row.extend(_wheel_misses(machine, m))
            found.append(np.array(row))
        return found

    def _landing_miss(self, i: int, depth_m: float) -> float:
        """Return one mark's landing miss in metres, weighted by the root of its balls."""
        m = self.marks[i]
        return 0.0 if m.depth_m is None else (m.depth_m - depth_m) * math.sqrt(m.balls)

    def landing_squares(self, values: Array) -> float:
        """Return the sum of squared landing misses, each row weighted by its balls, in m^2."""
        (depths,) = self.depths([values])
        return sum(self._landing_miss(i, float(d)) ** 2 for i, d in enumerate(depths))


def _wheel_misses(machine: Thrower, m: Mark) -> list[float]:
    """Return the misses of timings, spin counts and tachometer readings of one mark."""
    found = []
    told = rims_of(machine, m.top_rpm, m.bottom_rpm)
    speed, spin = ball_from(machine, told)
    many = math.sqrt(m.balls)
    if m.gate_m is not None and m.gate_s is not None:
        expected = _gate_s(machine, speed, m.tilt_deg + machine.tilt_zero_deg, m.gate_m)
        sd = GATE_FRAMES_SD / (m.fps or DEFAULT_FPS) / many
        found.append((m.gate_s - expected) / math.hypot(sd, 0.003 * m.gate_s))
    if m.spin_revps is not None:
        found.append((m.spin_revps - spin) / (max(1.0, SPIN_SD * abs(spin)) / many))
    for tach, line, rim, diameter in (
        (m.tach_top_rpm, machine.top_line, told.top_mps, machine.top_diameter_m),
        (m.tach_bottom_rpm, machine.bottom_line, told.bottom_mps, machine.bottom_diameter_m),
    ):
        if tach is not None:
            seen = rim_mps(tach, diameter)
            found.append((seen - line.felt_mps(rim)) / (TACH_SD * max(abs(seen), 1.0)))
    return found


def _gate_s(machine: Thrower, speed_mps: float, tilt_deg: float, gate_m: float) -> float:
    """Return the time to a mark along the table: t = (exp(k d) - 1) / (k v), flat flight with drag (textbook)."""
    k = law_of(machine.ball, machine.air).drag_pm
    way = gate_m / max(math.cos(math.radians(tilt_deg)), 0.1)
    return math.expm1(k * way) / (k * max(speed_mps, 0.5))


def _settle(problem: _Problem, start: Array, belief: Array, scatter_m: float) -> tuple[Array, Array]:
    """Return best values and covariance by Gauss-Newton with halved steps (least squares with a belief)."""

    def cost(values: Array, misses: Array) -> float:
        return float(misses @ misses + np.sum(((values - belief) / BELIEF_SD) ** 2))

    values, best = start.copy(), math.inf
    weight = np.diag(1.0 / BELIEF_SD**2)
    for _ in range(TURNS):
        misses, *moved = problem.misses([values, *_nudged(values)], scatter_m)
        best = cost(values, misses)
        slopes = np.array([(m - misses) / nudge for m, nudge in zip(moved, NUDGE, strict=True)]).T
        normal = slopes.T @ slopes + weight
        step = -np.linalg.solve(normal, slopes.T @ misses + (values - belief) / BELIEF_SD**2)
        gained = 0.0
        for share in (1.0, 0.4, 0.1):
            trial = values + share * step
            gained = best - cost(trial, problem.misses([trial], scatter_m)[0])
            if gained > 0.0:
                values = trial
                break
        if gained < 1e-3:
            break
    covariance: Array = np.linalg.inv(normal)
    return values, covariance


def _nudged(values: Array) -> list[Array]:
    """Return the values with one of them nudged, for each in turn."""
    return [values + nudge * unit for nudge, unit in zip(NUDGE, np.eye(len(values)), strict=True)]


def expected_depths(thrower: Thrower, values: Array, marks: list[Mark]) -> Array:
    """Return where balls land on average at the marks' settings, past the net in m, on a machine of given values."""
    return _Problem(thrower, tuple(marks)).depths([values])[0]
