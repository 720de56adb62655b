"""What a machine with given values would show: where its balls land, and their timings and spin counts."""

import math
from dataclasses import dataclass, replace

import numpy as np

from drillfeed.daemon.aim.hops import look_at_many
from drillfeed.daemon.aim.marks import Mark
from drillfeed.daemon.aim.thrower import Array, Thrower, ball_from, rims_of
from drillfeed.daemon.physics.fourth_order import FINE
from drillfeed.daemon.physics.launch import Launches, launches_from
from drillfeed.daemon.physics.motion import coefficients_of
from drillfeed.daemon.physics.table import NET_X_M
from drillfeed.daemon.physics.thrower import RimLine, rim_mps

NUDGE = np.array([1e-3, 5e-3, 1e-3, 5e-3, 2e-2, 2e-3])
GATE_FRAMES_SD = 0.41  # frames: of the time between two moments, each cut to a whole frame: sqrt(2/12)
DEFAULT_FPS = 120.0
SPIN_SD = 0.03
TACH_SD = 0.02  # share: a tachometer measures the wheel, not how the ball slips on it
WHEEL_MEASURES = ("measure.timing", "measure.spin-count", "measure.tachometer-top", "measure.tachometer-bottom")


def calibrated(thrower: Thrower, values: Array) -> Thrower:
    """Return the machine with fitted values applied."""
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


@dataclass(frozen=True)
class Problem:
    """Hold machine and marks; a miss is measured minus expected, divided by its own deviation."""

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
        """Return depths past the net on an endless table, machine after machine; all machines have the same drag."""
        some = machines[0]
        launches = self._launches(machines)
        law = coefficients_of(some.ball, some.air)
        direct, serve = look_at_many(launches, law, some.ball, arrival=False, noting=False, rule=FINE)
        assert serve is not None
        own_half = (direct.first_x_m >= 0.0) & (direct.first_x_m < NET_X_M - 0.05) & np.isfinite(serve.depth_m)
        measured = np.array([math.nan if m.depth_m is None else m.depth_m for m in self.marks] * len(machines))
        # A mark before the net is the first touch itself. If the mark is past the net and the first touch is on the
        # thrower's half, the ball was serve-wise.
        depth: Array = np.where(own_half & ~(measured < 0.0), serve.depth_m, direct.depth_m)
        return depth

    def _launches(self, machines: list[Thrower]) -> Launches:
        rows = [
            (*ball_from(machine, rims_of(machine, m.top_rpm, m.bottom_rpm)), m.tilt_deg + machine.tilt_zero_deg)
            for machine in machines
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
        """Return every measurement's miss divided by its deviation, for several sets of values at once."""
        measured = [i for i, m in enumerate(self.marks) if m.depth_m is not None]
        depths = self.depths(several) if measured else [np.empty(0)] * len(several)
        with_figures = [m for m in self.marks if any(figure is not None for figure in _wheel_figures(m))]
        found = []
        for values, depth in zip(several, depths, strict=True):
            machine = calibrated(self.thrower, values)
            row = [self._landing_miss(i, float(depth[i])) / scatter_m for i in measured]
            for m in with_figures:
                row.extend(_wheel_misses(machine, m))
            found.append(np.array(row))
        return found

    def measures(self) -> list[tuple[int, str]]:
        """Return the mark of each miss and what was measured there, in the order of `misses`."""
        found = [(i, "landing") for i, m in enumerate(self.marks) if m.depth_m is not None]
        for i, m in enumerate(self.marks):
            had = zip(WHEEL_MEASURES, _wheel_figures(m), strict=True)
            found += [(i, name) for name, figure in had if figure is not None]
        return found

    def linear(self, values: Array, scatter_m: float) -> tuple[Array, Array]:
        """Return the misses at `values`, and their slopes, (misses, values)."""
        misses, *moved = self.misses([values, *nudged(values)], scatter_m)
        return misses, np.array([(m - misses) / nudge for m, nudge in zip(moved, NUDGE, strict=True)]).T

    def _landing_miss(self, i: int, depth_m: float) -> float:
        """Return one mark's landing miss in metres, weighted by the square root of its number of balls."""
        m = self.marks[i]
        return 0.0 if m.depth_m is None else (m.depth_m - depth_m) * math.sqrt(m.balls)

    def landing_squares(self, values: Array) -> float:
        """Return the sum of squared landing misses, each row weighted by its number of balls, in m^2."""
        (depths,) = self.depths([values])
        return sum(self._landing_miss(i, float(d)) ** 2 for i, d in enumerate(depths))


def _wheel_figures(m: Mark) -> tuple[float | None, ...]:
    """Return what one mark has of each of `WHEEL_MEASURES`."""
    return m.gate_s, m.spin_revps, m.tach_top_rpm, m.tach_bottom_rpm


def _wheel_misses(machine: Thrower, m: Mark) -> list[float]:
    """Return the misses of one mark's timing, spin count and tachometers, in the order of `Problem.measures`."""
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
    k = float(coefficients_of(machine.ball, machine.air).drag_per_m)
    way = gate_m / max(math.cos(math.radians(tilt_deg)), 0.1)
    return math.expm1(k * way) / (k * max(speed_mps, 0.5))


def nudged(values: Array) -> list[Array]:
    """Return one copy of the values for each of them, with that value nudged."""
    return [values + nudge * unit for nudge, unit in zip(NUDGE, np.eye(len(values)), strict=True)]
