"""Every legal ball of one spin over speed and tilt, found without the solver: what aim is held against."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from drillfeed.daemon.aim.request import AimRequest, Arc
from drillfeed.daemon.aim.thrower import Thrower, broken, launches_by
from drillfeed.daemon.physics.flight_batch import FlightBatch, fly_many
from drillfeed.daemon.physics.table import TABLE_LENGTH_M

Array = NDArray[np.float64]
SPEEDS_MPS, TILTS_DEG = (2.0, 30.0), (-75.0, 85.0)
BOUNDS = np.array([SPEEDS_MPS, TILTS_DEG])
NEWTON_TURNS = 7
NUDGES = np.array([1e-3, 1e-2])  # m/s, degrees


@dataclass(frozen=True)
class Ball:
    """Hold a legal ball that meets a request; `turn` is where depth hardly hangs on tilt, so either arc's name fits."""

    speed_mps: float
    tilt_deg: float
    arc: Arc
    turn: bool


class Field:
    """Hold every ball of one spin on one machine, limits not looked at."""

    def __init__(self, thrower: Thrower, spin_revps: float, step_mps: float = 0.1, step_deg: float = 0.5) -> None:
        self.thrower, self.spin_revps = thrower, spin_revps
        self.speeds = np.arange(SPEEDS_MPS[0], SPEEDS_MPS[1] + step_mps / 2, step_mps)
        self.tilts = np.arange(TILTS_DEG[0], TILTS_DEG[1] + step_deg / 2, step_deg)
        speed, tilt = np.meshgrid(self.speeds, self.tilts, indexing="ij")
        self.shape = speed.shape
        flown = self._flown(speed.ravel(), tilt.ravel())
        self.table = _figures(flown, speed.ravel(), tilt.ravel())
        self.hops = _hops(flown).reshape(self.shape)

    def _flown(self, speed: Array, tilt: Array) -> FlightBatch:
        launches = launches_by(self.thrower, speed, self.spin_revps, tilt, 0.0, 0.0)
        return fly_many(launches, air=self.thrower.air, ball=self.thrower.ball)

    def throw(self, rng: np.random.Generator) -> dict[str, float] | None:
        """Return the figures of a legal ball taken at random among those within the machine's limits."""
        legal = np.argwhere(self.hops > 0)
        for i, j in rng.permutation(legal)[:60]:
            speed = float(self.speeds[i] + rng.uniform(-0.05, 0.05))
            tilt = float(self.tilts[j] + rng.uniform(-0.25, 0.25))
            if broken(self.thrower, speed, self.spin_revps, tilt):
                continue
            flown = self._flown(np.array([speed]), np.array([tilt]))
            found = {name: float(v[0]) for name, v in _figures(flown, np.array([speed]), np.array([tilt])).items()}
            # A ball thrown downwards is highest in the opening whatever its tilt: that apex asks for nothing.
            if _hops(flown)[0] and found["apex_m"] > self.thrower.height_m + self.thrower.pivot_m + 0.01:
                return found
        return None

    def meetings(self, requests: list[AimRequest]) -> list[list[Ball]]:
        """Return the legal balls that meet each request, on whatever arc, whatever the limits."""
        places = [self._cells(request) for request in requests]
        owner = np.repeat(np.arange(len(requests)), [len(p) for p in places])
        start = np.concatenate([*places, np.empty((0, 2))])
        goals = [tuple(request.given().items()) for request in requests]
        at, hops, slope, met = self._newton(start, owner, goals)
        found: list[list[Ball]] = [[] for _ in requests]
        inside = (np.abs(at - np.mean(BOUNDS, axis=1)) <= np.ptp(BOUNDS, axis=1) / 2).all(axis=1)
        for k in np.flatnonzero(met & inside):
            arc: Arc = "serve-wise" if hops[k] == 2 else ("low" if slope[k] > 0.0 else "high")
            new, mine = Ball(float(at[k, 0]), float(at[k, 1]), arc, abs(float(slope[k])) < 0.004), found[owner[k]]
            if not any(abs(b.speed_mps - new.speed_mps) < 1e-3 and abs(b.tilt_deg - new.tilt_deg) < 1e-2 for b in mine):
                mine.append(new)
        return found

    def _cells(self, request: AimRequest) -> Array:
        """Return the middles of the cells that may hold a ball: both figures change sign in it, or nearly."""
        keep = np.ones((self.shape[0] - 1, self.shape[1] - 1), dtype=bool)
        first = self.hops[:-1, :-1]
        for corner in (self.hops[1:, :-1], self.hops[:-1, 1:], self.hops[1:, 1:]):
            keep &= (corner == first) & (first > 0)
        for name, number in request.given().items():
            miss = self.table[name].reshape(self.shape) - number
            four = np.array([miss[:-1, :-1], miss[1:, :-1], miss[:-1, 1:], miss[1:, 1:]])
            with np.errstate(invalid="ignore"):
                low, high = four.min(axis=0), four.max(axis=0)
                slack = 0.3 * (high - low) + 1e-4
                keep &= (low - slack <= 0.0) & (high + slack >= 0.0)
        i, j = np.nonzero(keep)
        middles = np.array([(self.speeds[i] + self.speeds[i + 1]) / 2, (self.tilts[j] + self.tilts[j + 1]) / 2]).T
        return middles[:: max(1, len(middles) // 200)]

    def _newton(
        self, start: Array, owner: NDArray[np.int64], goals: list[tuple[tuple[str, float], ...]]
    ) -> tuple[Array, Array, Array, NDArray[np.bool_]]:
        """Return where Newton's rule ends from each start, hops and slope of depth there, and whether it is met."""
        at, n = start.copy(), len(start)
        names = np.array([[name for name, _ in goals[k]] for k in owner]).reshape(n, 2)
        target = np.array([[number for _, number in goals[k]] for k in owner]).reshape(n, 2)
        met, hops, slope = np.zeros(n, dtype=bool), np.zeros(n), np.full(n, np.nan)
        todo = np.arange(n)
        for _ in range(NEWTON_TURNS):
            if not len(todo):
                break
            here = at[todo]
            three = np.concatenate([here, here + NUDGES * [1.0, 0.0], here + NUDGES * [0.0, 1.0]])
            flown = self._flown(three[:, 0], three[:, 1])
            table = _figures(flown, three[:, 0], three[:, 1])
            m = len(todo)
            miss = np.stack([_choose(table, np.tile(names[todo, c], 3)) for c in (0, 1)], axis=1)
            miss = miss.reshape(3, m, 2) - target[todo]
            depth = table["depth_m"].reshape(3, m)
            hops[todo] = _hops(flown)[:m]
            slope[todo] = (depth[2] - depth[0]) / NUDGES[1]
            with np.errstate(invalid="ignore"):
                met[todo] = np.all(np.abs(miss[0]) < 1e-6, axis=1) & (hops[todo] > 0)
            a, b = (miss[1] - miss[0]) / NUDGES[0], (miss[2] - miss[0]) / NUDGES[1]
            det = a[:, 0] * b[:, 1] - a[:, 1] * b[:, 0]
            with np.errstate(all="ignore"):
                step = (
                    -np.array(
                        [
                            miss[0, :, 0] * b[:, 1] - miss[0, :, 1] * b[:, 0],
                            a[:, 0] * miss[0, :, 1] - a[:, 1] * miss[0, :, 0],
                        ]
                    )
                    / det
                )
            step = np.clip(step, [[-0.3], [-2.0]], [[0.3], [2.0]]).T
            going = np.all(np.isfinite(step), axis=1) & ~met[todo]
            at[todo[going]] += step[going]
            todo = todo[going]
        return at, hops, slope, met


def _hops(flown: FlightBatch) -> Array:
    """Return on which hop each legal ball lands, else 0. A ball off the table's edge goes anywhere: nobody aims so."""
    edge = (flown.first_bounce_x_m < 0.0) | (flown.landing_x_m > TABLE_LENGTH_M)
    return np.where(flown.valid & ~edge, 1 + flown.own_half_bounces, 0)


def _figures(flown: FlightBatch, speed: Array, tilt: Array) -> dict[str, Array]:
    return {
        "speed_mps": speed,
        "tilt_deg": tilt,
        "depth_m": flown.depth_m,
        "clearance_m": flown.net_clearance_m,
        "apex_m": flown.apex_m,
        "arrival_s": flown.end_line_s,
    }


def _choose(table: dict[str, Array], names: NDArray[np.str_]) -> Array:
    chosen = np.empty(len(names))
    for name in set(names.tolist()):
        chosen[names == name] = table[name][names == name]
    return chosen
