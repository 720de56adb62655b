"""Balls of one block in flight, a step at a time; `flight_batch.fly_many` cuts many balls into blocks and joins them.

Rule of this file: each figure equals that of `flight.fly` for the same ball, with or without constants of its own.
"""

from collections.abc import Iterable
from typing import Any

import numpy as np
from numpy.typing import NDArray

from drillfeed.daemon.physics.air import Air
from drillfeed.daemon.physics.bounce import bounce_many
from drillfeed.daemon.physics.flight import LONGEST_FLIGHT_S, MAX_BOUNCES, Until
from drillfeed.daemon.physics.launch import Launches
from drillfeed.daemon.physics.motion import (
    MAX_STEP_S,
    STEP_M,
    advance,
    coefficients_for,
    coefficients_of,
    coefficients_of_many,
    fade,
    is_slanted,
    slant_share,
)
from drillfeed.daemon.physics.table import (
    HALF_WIDTH_M,
    NET_BOX,
    NET_HALF_WIDTH_M,
    NET_HEIGHT_M,
    NET_X_M,
    TABLE_BOX,
    TABLE_HEIGHT_M,
    TABLE_LENGTH_M,
    Ball,
)
from drillfeed.daemon.physics.touch import (
    DIP_M,
    NEVER,
    cubic,
    first_touch,
    nearest_on,
    roots_from,
    value,
    well_over_net,
)
from drillfeed.daemon.physics.widths import Constants

Array = NDArray[np.float64]
Flags = NDArray[np.bool_]


class Block:
    """Hold the state of the balls still in flight; `index` maps them to the rows of `out`, (n,) arrays by name."""

    def __init__(
        self,
        launches: Launches,
        part: slice,
        ball: Ball,
        air: Air,
        until: Until,
        rough: float,
        constants: Constants | None,
        names: Iterable[str],
    ) -> None:
        self.ball, self.until = ball, until
        self.constants = None if constants is None else constants.of(part)
        self.law = (
            coefficients_of(ball, air) if self.constants is None else coefficients_of_many(ball, air, self.constants)
        )
        self.p = launches.position_m[:, part].copy()
        self.v = launches.velocity_mps[:, part].copy()
        self.w = launches.spin_radps[:, part].copy()
        n = self.p.shape[1]
        self.index = np.arange(n)
        self.t = np.zeros(n)
        self.size = np.sqrt((self.w * self.w).sum(axis=0))
        speed = np.sqrt((self.v * self.v).sum(axis=0))
        self.longest_h = self.h = rough * np.minimum(MAX_STEP_S, STEP_M / (speed + 1e-300))
        self.slanted = is_slanted(self.v, self.w, self.size, self.law)
        self.out: dict[str, Any] = {name: np.full(n, np.nan) for name in names}
        self.out["touches_net"] = np.zeros(n, dtype=bool)
        self.out["valid"] = np.zeros(n, dtype=bool)
        self.out["own_half_bounces"] = np.zeros(n)
        self.out["apex_m"] = self.p[2].copy()
        self.touches = np.zeros(n, dtype=int)

    def fly(self) -> None:
        """Follow the balls until the flight of each is known."""
        while len(self.index):
            self.step()

    def step(self) -> None:
        """Take one step with each ball, or the part of the step up to what the ball meets."""
        if self.slanted.any():
            share = slant_share(self.v, self.w, self.size, np.minimum, np.maximum)
            self.h = self.longest_h * np.where(self.slanted, share, 1.0)
        p1, v1 = (np.array(a) for a in advance(self.p, self.v, self.w, self.size, self.h, self.law, np.minimum))
        n = len(self.index)
        at, kind, level_at = np.full(n, NEVER), np.zeros(n, dtype=np.int8), np.full(n, NEVER)
        self._find_falls(p1, v1, at, kind, level_at)
        for box, code, near in self._near(p1, v1):
            self._find_touches(box, code, near, p1, v1, at, kind)
        self._note_passages(p1, v1, at, level_at)
        met = np.flatnonzero(kind)
        taken = self.h
        if len(met):
            taken = self.h.copy()
            taken[met] *= at[met]
            state = (self.p[:, met], self.v[:, met], self.w[:, met], self.size[met])
            p1[:, met], v1[:, met] = advance(*state, taken[met], coefficients_for(self.law, met), np.minimum)
        self._note_apex(p1, v1, taken)
        self.t = self.t + taken
        self.p, self.v = p1, v1
        if self.law.fade_pers:
            left = fade(taken, self.law)
            self.w, self.size = self.w * left, self.size * left
        done = self.t > LONGEST_FLIGHT_S
        if len(met):
            self._meet(met, kind[met], done)
        self._drop(done | self._known())

    def _cubics(self, which: Any, p1: Array, v1: Array, axis: int, level: float = 0.0) -> Any:
        p, v, h = self.p[axis, which], self.v[axis, which], self.h[which]
        return cubic(p - level, v, p1[axis, which] - level, v1[axis, which], h)

    def _find_falls(self, p1: Array, v1: Array, at: Array, kind: Any, level_at: Array) -> None:
        """Find where balls come down to the height of a touch, over the table or past it, and to the floor."""
        r = self.ball.radius_m
        z0, z1, vz0, vz1 = self.p[2], p1[2], self.v[2], v1[2]
        below = z1 < r
        low = np.flatnonzero((z0 >= r) & (below | ((vz0 < 0.0) & (vz1 > 0.0) & (z1 < r + DIP_M))))
        if len(low):
            z = self._cubics(low, p1, v1, 2, r)
            dips = ~below[low]
            lowest = vz0[low] / np.where(vz0[low] == vz1[low], np.inf, vz0[low] - vz1[low])
            start = np.where(~dips & (vz1[low] < 0.0), 1.0, 0.0)
            skip = dips & (value(z, lowest) >= 0.0)
            s = np.where(skip, NEVER, roots_from(z, start))
            x, y = (value(self._cubics(low, p1, v1, i), s) for i in (0, 1))
            over = (x >= 0.0) & (x <= TABLE_LENGTH_M) & (np.abs(y) <= HALF_WIDTH_M) & (s < NEVER)
            at[low[over]], kind[low[over]] = s[over], 1
            level_at[low[~over]] = s[~over]
        floor_z = r - TABLE_HEIGHT_M
        fallen = np.flatnonzero((z1 < floor_z) & (z0 >= floor_z))
        if len(fallen):
            s = roots_from(self._cubics(fallen, p1, v1, 2, floor_z), np.ones(len(fallen)))
            first = s < at[fallen]
            at[fallen[first]], kind[fallen[first]] = s[first], 2

    def _near(self, p1: Array, v1: Array) -> list[tuple[Any, int, Any]]:
        r = self.ball.radius_m
        low = np.minimum(self.p[2], p1[2])
        x0, x1 = self.p[0], p1[0]
        net = (
            (low < NET_HEIGHT_M + r + DIP_M) & (np.minimum(x0, x1) <= NET_X_M + r) & (np.maximum(x0, x1) >= NET_X_M - r)
        )
        netward = np.flatnonzero(net)
        if len(netward):
            ends = (self.p[:, netward], self.v[:, netward], p1[:, netward], v1[:, netward], self.h[netward])
            netward = netward[~well_over_net(*ends, r, np.minimum, np.maximum)]
        near = low < r + DIP_M
        if near.any():
            outside = (np.minimum(x0, x1) < 0.0) | (np.maximum(x0, x1) > TABLE_LENGTH_M)
            outside |= np.maximum(np.abs(self.p[1]), np.abs(p1[1])) > HALF_WIDTH_M
            near &= outside & (np.maximum(self.p[2], p1[2]) > -r)
        return [(NET_BOX, 3, netward), (TABLE_BOX, 4, np.flatnonzero(near))]

    def _find_touches(self, box: Any, code: int, near: Any, p1: Array, v1: Array, at: Array, kind: Any) -> None:
        if not len(near):
            return
        ends = (self.p[:, near], self.v[:, near], p1[:, near], v1[:, near])
        s = first_touch(*ends, self.h[near], box, self.ball.radius_m)
        first = s < at[near]
        at[near[first]], kind[near[first]] = s[first], code

    def _note_passages(self, p1: Array, v1: Array, at: Array, level_at: Array) -> None:
        out = self.out
        for level, name in ((NET_X_M, "net_clearance_m"), (TABLE_LENGTH_M, "end_line_s")):
            some = np.flatnonzero((self.p[0] < level) & (p1[0] >= level))
            if not len(some):
                continue
            s = roots_from(self._cubics(some, p1, v1, 0, level), np.full(len(some), 0.5))
            first = np.isnan(out[name][self.index[some]]) & (s <= at[some])
            some, s = some[first], s[first]
            y, z = (value(self._cubics(some, p1, v1, i), s) for i in (1, 2))
            if name == "end_line_s":
                out[name][self.index[some]] = self.t[some] + s * self.h[some]
                out["end_line_z_m"][self.index[some]] = z
                continue
            clearance = np.where(np.abs(y) <= NET_HALF_WIDTH_M, z - self.ball.radius_m - NET_HEIGHT_M, np.nan)
            out[name][self.index[some]] = clearance
        past = np.flatnonzero((level_at < NEVER) & (level_at < at))
        if len(past):
            rows = self.index[past]
            open_ = ~np.isnan(out["time_s"][rows]) & np.isnan(out["second_bounce_x_m"][rows])
            past = past[open_]
            x = value(self._cubics(past, p1, v1, 0), level_at[past])
            out["second_bounce_x_m"][self.index[past]] = x

    def _note_apex(self, p1: Array, v1: Array, h: Array) -> None:
        top = np.flatnonzero((self.v[2] > 0.0) & (v1[2] <= 0.0))
        if not len(top):
            return
        z = cubic(self.p[2, top], self.v[2, top], p1[2, top], v1[2, top], h[top])
        height = value(z, self.v[2, top] / (self.v[2, top] - v1[2, top]))
        rows = self.index[top]
        before = np.isnan(self.out["time_s"][rows])
        best = self.out["apex_m"]
        best[rows[before]] = np.maximum(best[rows[before]], height[before])

    def _meet(self, met: Any, kind: Any, done: Flags) -> None:
        rows, out = self.index[met], self.out
        flying = np.isnan(out["time_s"][rows])
        out["touches_net"][rows[(kind == 3) & flying]] = True
        out["apex_m"][rows[flying]] = np.maximum(out["apex_m"][rows[flying]], self.p[2, met[flying]])
        done[met[(kind == 2) | (kind == 3)]] = True
        hit = met[(kind == 1) | (kind == 4)]
        if not len(hit):
            return
        edge = kind[(kind == 1) | (kind == 4)] == 4
        normal = np.zeros((3, len(hit)))
        normal[2] = 1.0
        if edge.any():
            place = self.p[:, hit[edge]]
            gap = place - np.array(nearest_on(TABLE_BOX, *place))
            normal[:, edge] = gap / np.sqrt((gap * gap).sum(axis=0))
        self.p[2, hit[~edge]] = self.ball.radius_m
        before = np.sqrt((self.v[:, hit] ** 2).sum(axis=0))
        surface = () if self.constants is None else self.constants.surface(hit)
        self.v[:, hit], self.w[:, hit] = bounce_many(self.v[:, hit], self.w[:, hit], self.ball, normal, *surface)
        self.size[hit] = np.sqrt((self.w[:, hit] ** 2).sum(axis=0))
        self.slanted[hit] = is_slanted(self.v[:, hit], self.w[:, hit], self.size[hit], coefficients_for(self.law, hit))
        side = normal[2] <= 0.0
        done[hit[side]] = True
        self._count(hit[~side], before[~side], done)

    def _count(self, hit: Any, before: Array, done: Flags) -> None:
        """Record touches of the playing surface."""
        rows, out = self.index[hit], self.out
        x = self.p[0, hit]
        landed = ~np.isnan(out["time_s"][rows])
        self.touches[rows] += 1
        first = self.touches[rows] == 1
        out["first_bounce_x_m"][rows[first]] = x[first]
        again = landed & np.isnan(out["second_bounce_x_m"][rows])
        out["second_bounce_x_m"][rows[again]] = x[again]
        own = (x <= NET_X_M) & ~landed
        out["own_half_bounces"][rows[own]] += 1
        done[hit[own & (out["own_half_bounces"][rows] > 1)]] = True
        new = (x > NET_X_M) & ~landed
        fresh, row = hit[new], rows[new]
        level = np.hypot(self.v[0, fresh], self.v[1, fresh])
        cross = self.w[1, fresh] * self.v[0, fresh] - self.w[0, fresh] * self.v[1, fresh]
        spin = np.where(level == 0.0, self.size[fresh], cross / np.where(level == 0.0, 1.0, level))
        out["time_s"][row], out["landing_x_m"][row], out["landing_y_m"][row] = self.t[fresh], x[new], self.p[1, fresh]
        out["landing_speed_mps"][row] = before[new]
        out["speed_after_mps"][row] = np.sqrt((self.v[:, fresh] ** 2).sum(axis=0))
        out["spin_after_revps"][row] = spin / (2.0 * np.pi)
        out["valid"][row] = True
        done[hit[(self.touches[rows] >= MAX_BOUNCES) | (np.abs(self.v[2, hit]) < 0.02)]] = True

    def _known(self) -> Any:
        out, rows = self.out, self.index
        if self.until == "floor":
            return False
        if self.until == "landing":
            # A ball past the table or below it can't land any more.
            r = self.ball.radius_m
            return out["valid"][rows] | (self.p[0] > TABLE_LENGTH_M + r) | (self.p[2] < -r)
        second = out["second_bounce_x_m"][rows]
        passed = ~np.isnan(out["end_line_s"][rows]) | (second <= TABLE_LENGTH_M) | (self.v[0] <= 0.0)
        return ~np.isnan(second) & passed

    def _drop(self, done: Any) -> None:
        """Drop the balls whose flight is known."""
        if not np.any(done):
            return
        keep = np.flatnonzero(~done)
        self.p, self.v, self.w = (a.take(keep, axis=1) for a in (self.p, self.v, self.w))
        self.index, self.t, self.size, self.h = self.index[keep], self.t[keep], self.size[keep], self.h[keep]
        self.longest_h, self.slanted = self.longest_h[keep], self.slanted[keep]
        if self.constants is not None:
            self.law, self.constants = coefficients_for(self.law, keep), self.constants.of(keep)
