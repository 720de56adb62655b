"""Flights as hops from touch to touch on an endless table, without net, edges or floor: the solver's model.

The landing is then a smooth function of the throw, even for balls that would hit the net or fly past the table. One
ball or many use the equations and steps of `physics.flight`, so a legal ball has the same figures.
"""

import math
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from drillfeed.daemon.physics.bounce import Vector, bounce, bounce_many
from drillfeed.daemon.physics.launch import Launch, Launches
from drillfeed.daemon.physics.motion import (
    MAX_STEP_S,
    STEP_M,
    Coefficients,
    advance,
    is_slanted,
    slant_share,
    step_for,
)
from drillfeed.daemon.physics.table import NET_HEIGHT_M, NET_X_M, TABLE_LENGTH_M, Ball
from drillfeed.daemon.physics.touch import cubic, root_from, roots_from, value

Array = NDArray[np.float64]
MAX_STEPS = 400
MARGIN_M = 0.3


@dataclass(frozen=True)
class Figures:
    """Hold what a request can ask of a ball; floats or (n,) arrays, NaN where it never happens.

    `first_x_m` is where the ball first comes down; depth past the net, `landing_y_m`, apex (centre above the table),
    clearance of its underside over the tape, arrival at the player's end line after the landing.
    """

    first_x_m: Any
    depth_m: Any
    landing_y_m: Any
    clearance_m: Any
    apex_m: Any
    arrival_s: Any


@dataclass
class _Ball:
    """Hold one ball's state between hops; `net_z` is its height in the net plane, `end_s` its time at the end line."""

    p: Vector
    v: Vector
    w: Vector
    law: Coefficients
    h: float
    t: float = 0.0
    top: float = -math.inf
    net_z: float = math.nan
    end_s: float = math.nan

    def hop(self) -> None:
        """Fly until the ball comes down to the height of a touch."""
        size = math.hypot(*self.w)
        slanted = is_slanted(self.v, self.w, size, self.law)
        r = self.law.radius_m
        for _ in range(MAX_STEPS):
            h = self.h * slant_share(self.v, self.w, size, min, max) if slanted else self.h
            p, v = self.p, self.v
            q, u = advance(p, v, self.w, size, h, self.law, min)
            lands = q[2] < r <= p[2]
            s = 1.0
            if lands:
                s = min(root_from(cubic(p[2] - r, v[2], q[2] - r, u[2], h), 1.0 if u[2] < 0.0 else 0.0), 1.0)
            self._note(p, v, q, u, h, s)
            if lands:
                q, u = advance(p, v, self.w, size, s * h, self.law, min)
                self.p, self.v, self.t = (q[0], q[1], r), u, self.t + s * h
                return
            self.p, self.v, self.t = q, u, self.t + h
        self.p = (math.nan, math.nan, math.nan)

    def _note(self, p: Vector, v: Vector, q: Vector, u: Vector, h: float, s: float) -> None:
        if v[2] > 0.0 >= u[2]:
            self.top = max(self.top, value(cubic(p[2], v[2], q[2], u[2], h), v[2] / (v[2] - u[2])))
        for level in (NET_X_M, TABLE_LENGTH_M):
            if p[0] < level <= q[0]:
                at = root_from(cubic(p[0] - level, v[0], q[0] - level, u[0], h), 0.5)
                if at > s:
                    continue
                if level == NET_X_M:
                    self.net_z = value(cubic(p[2], v[2], q[2], u[2], h), at)
                else:
                    self.end_s = self.t + at * h


def figures(launch: Launch, law: Coefficients, ball: Ball, hops: int, arrival: bool) -> Figures:
    """Return one ball's figures when it lands on its hop number `hops` (1 direct, 2 serve-wise)."""
    state = _Ball(launch.position_m, launch.velocity_mps, launch.spin_radps, law, step_for(launch.speed_mps))
    state.top = launch.position_m[2]
    state.hop()
    first_x = state.p[0]
    if hops == 2 and not math.isnan(first_x):
        state.v, state.w = bounce(state.v, state.w, ball)
        state.net_z = math.nan
        state.hop()
    x, y, top, net_z = state.p[0], state.p[1], state.top, state.net_z
    if arrival and not math.isnan(x):
        # A ball that is too long is past the end line already; its time continues smoothly from that of shorter balls.
        state.v, state.w = bounce(state.v, state.w, ball)
        state.hop()
    return Figures(first_x, x - NET_X_M, y, net_z - ball.radius_m - NET_HEIGHT_M, top, state.end_s)


class _Many:
    """Hold n balls' state between hops, as `_Ball` does for one; steps may be longer for a first look."""

    def __init__(self, launches: Launches, law: Coefficients, rough: float, noting: bool) -> None:
        self.p, self.v, self.w = launches.position_m.copy(), launches.velocity_mps.copy(), launches.spin_radps.copy()
        speed = np.sqrt((self.v * self.v).sum(axis=0))
        self.h = rough * np.minimum(MAX_STEP_S, STEP_M / (speed + 1e-300))
        self.law, self.noting, self.rough = law, noting, rough
        n = self.p.shape[1]
        self.t, self.top = np.zeros(n), self.p[2].copy()
        self.net_z, self.end_s = np.full(n, np.nan), np.full(n, np.nan)

    def hop(self) -> None:
        """Fly until every ball has come down; each ball's last step is kept, and landed balls are dropped."""
        r, n = self.law.radius_m, self.p.shape[1]
        air = _InAir(np.flatnonzero(~np.isnan(self.p[0])), self)
        last: list[Array] = [self.p.copy(), self.v.copy(), self.p.copy(), self.v.copy()]
        start_t, start_h, lost = self.t.copy(), self.h.copy(), np.ones(n, dtype=bool)
        for _ in range(MAX_STEPS):
            if not len(air.index):
                break
            p, v = air.p, air.v
            q, u = (np.array(a) for a in advance(p, v, air.w, air.size, air.h, self.law, np.minimum))
            lands = ~air.landed & (q[2] < r) & (p[2] >= r)
            if self.noting:
                self._note(air, q, u, self._landing_share(air, q, u, lands))
            if lands.any():
                rows = air.index[lands]
                for kept, new in zip(last, (p, v, q, u), strict=True):
                    kept[:, rows] = new[:, lands]
                start_t[rows], start_h[rows], lost[rows] = air.t[lands], air.h[lands], False
            air.go_on(q, u, lands)
        self.h = start_h
        self._settle(last, start_t, lost, np.sqrt((self.w * self.w).sum(axis=0)), n, r)

    def part(self, some: Any, ball: Ball) -> "_Many":
        """Return some of the balls, bounced."""
        v, w = bounce_many(self.v[:, some], self.w[:, some], ball)
        new = _Many(Launches(self.p[:, some], v, w), self.law, self.rough, self.noting)
        new.t, new.top = self.t[some], self.top[some]
        return new

    def figures(self, first_x: Array, ball: Ball, arrival: bool) -> Figures:
        """Return the figures of balls that have landed."""
        end_s = self.end_s
        if arrival and len(first_x):
            after = self.part(np.arange(len(first_x)), ball)
            after.hop()
            end_s = np.where(np.isnan(end_s), after.end_s, end_s)
        return Figures(
            first_x, self.p[0] - NET_X_M, self.p[1], self.net_z - ball.radius_m - NET_HEIGHT_M, self.top, end_s
        )

    def _settle(self, last: list[Array], t: Array, lost: Any, size: Array, n: int, r: float) -> None:
        p, v, q, u = last
        z = cubic(p[2] - r, v[2], q[2] - r, u[2], self.h)
        s = np.minimum(roots_from(z, np.where(u[2] < 0.0, 1.0, 0.0)), 1.0)
        end, speed = advance(p, v, self.w, size, s * self.h, self.law, np.minimum)
        self.p, self.v, self.t = np.array([end[0], end[1], np.full(n, r)]), np.array(speed), t + s * self.h
        self.p[:, lost] = np.nan

    def _landing_share(self, air: "_InAir", q: Array, u: Array, lands: Any) -> Array:
        """Return the share of a step that each ball still flies; what it passes after landing does not count."""
        share, r = np.ones(len(lands)), self.law.radius_m
        if lands.any():
            z = cubic(air.p[2, lands] - r, air.v[2, lands], q[2, lands] - r, u[2, lands], air.h[lands])
            share[lands] = np.minimum(roots_from(z, np.where(u[2, lands] < 0.0, 1.0, 0.0)), 1.0)
        return share

    def _note(self, air: "_InAir", q: Array, u: Array, share: Array) -> None:
        p, v, h = air.p, air.v, air.h
        some = np.flatnonzero(~air.landed & (v[2] > 0.0) & (u[2] <= 0.0))
        if len(some):
            rise, fall, rows = v[2, some], u[2, some], air.index[some]
            top = value(cubic(p[2, some], rise, q[2, some], fall, h[some]), rise / (rise - fall))
            self.top[rows] = np.maximum(self.top[rows], top)
        for level, seen in ((NET_X_M, self.net_z), (TABLE_LENGTH_M, self.end_s)):
            some = np.flatnonzero(~air.landed & (p[0] < level) & (q[0] >= level))
            if not len(some):
                continue
            along = cubic(p[0, some] - level, v[0, some], q[0, some] - level, u[0, some], h[some])
            at = np.minimum(roots_from(along, np.full(len(some), 0.5)), 1.0)
            passes = at <= share[some]
            some, at = some[passes], at[passes]
            if seen is self.net_z:
                seen[air.index[some]] = value(cubic(p[2, some], v[2, some], q[2, some], u[2, some], h[some]), at)
            else:
                seen[air.index[some]] = air.t[some] + at * h[some]


class _InAir:
    """Hold the balls of a hop that are still in the air; `index` maps them to the rows of all balls."""

    def __init__(self, index: NDArray[np.intp], balls: _Many) -> None:
        self.index, self.landed = index, np.zeros(len(index), dtype=bool)
        self.p, self.v, self.w = balls.p[:, index], balls.v[:, index], balls.w[:, index]
        self.t, self.h, self.rough = balls.t[index], balls.h[index], balls.rough
        self.size = np.sqrt((self.w * self.w).sum(axis=0))

    def go_on(self, p: Array, v: Array, lands: Any) -> None:
        """Move to the end of a step; drop landed balls once they are half of the balls left."""
        self.p, self.v, self.t = p, v, self.t + self.h
        self.h = self.rough * np.minimum(MAX_STEP_S, STEP_M / (np.sqrt((v * v).sum(axis=0)) + 1e-300))
        self.landed |= lands
        if 2 * int(self.landed.sum()) < len(self.index):
            return
        keep = np.flatnonzero(~self.landed)
        self.p, self.v, self.w = (a.take(keep, axis=1) for a in (self.p, self.v, self.w))
        self.t, self.h, self.size = (a[keep] for a in (self.t, self.h, self.size))
        self.index = self.index[keep]
        self.landed = np.zeros(len(keep), dtype=bool)


def look_at_many(
    launches: Launches,
    law: Coefficients,
    ball: Ball,
    arrival: bool,
    noting: bool,
    rough: float = 8.0,
    serves: bool = True,
) -> tuple[Figures, Figures | None]:
    """Return `figures` of n balls for a landing on the first hop and on the second, a first look some mm off.

    The steps are `rough` times the usual ones. Second hops are followed only if the first ends on the thrower's half or
    a little past its ends, so that a solution near the ends lies between two entries. Arrivals are at the end line.
    Without `noting`, clearance, apex and arrival are left out; without `serves`, the second hops. Both save time.
    """
    direct = _Many(launches, law, rough, noting)
    direct.hop()
    first_x = direct.p[0]
    if not serves:
        return direct.figures(first_x, ball, arrival), None
    own = np.flatnonzero((first_x >= -MARGIN_M) & (first_x <= NET_X_M + MARGIN_M))
    serve = direct.part(own, ball)
    if len(own):
        serve.hop()
    second = serve.figures(first_x[own], ball, arrival)
    spread = {}
    for name in ("depth_m", "landing_y_m", "clearance_m", "apex_m", "arrival_s"):
        spread[name] = np.full(len(launches), np.nan)
        spread[name][own] = getattr(second, name)
    return direct.figures(first_x, ball, arrival), Figures(first_x, **spread)
