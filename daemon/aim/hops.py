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
from drillfeed.daemon.physics.eighth_order import Rule
from drillfeed.daemon.physics.fourth_order import FOURTH
from drillfeed.daemon.physics.launch import Launch, Launches
from drillfeed.daemon.physics.meeting import falls_through
from drillfeed.daemon.physics.motion import Coefficients
from drillfeed.daemon.physics.numbers import FLOATS, Arrays
from drillfeed.daemon.physics.roots import find, find_many, slope, slope_curve, value, value_and_slope
from drillfeed.daemon.physics.stepper import Step, fade, spin_of, take_step
from drillfeed.daemon.physics.table import NET_HEIGHT_M, NET_X_M, TABLE_LENGTH_M, Ball

Array = NDArray[np.float64]
MAX_STEPS = 60
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
    t: float = 0.0
    top: float = -math.inf
    net_z: float = math.nan
    end_s: float = math.nan

    def hop(self) -> None:
        """Fly until the ball comes down to the height of a touch."""
        spin, r = spin_of(self.v, self.w, self.law), self.law.radius_m
        for _ in range(MAX_STEPS):
            step = take_step(self.p, self.v, spin, self.law, FLOATS)
            lands = falls_through(step.curve(2), r, step.place[2], step.velocity[2], FLOATS)
            share = min(lands, step.corner, 1.0)
            self._note(step, share)
            self.p, self.v = (step.place, step.velocity) if share == 1.0 else step.at(share)
            self.t += share * step.time_s
            if self.law.fade_pers:
                left = float(fade(share * step.time_s, self.law))
                self.w = (self.w[0] * left, self.w[1] * left, self.w[2] * left)
                spin = spin._replace(size=spin.size * left)
            if lands <= share:
                self.p = (self.p[0], self.p[1], r)
                return
            if step.corner <= share:
                spin = spin._replace(capped=1.0 - spin.capped)
        self.p = (math.nan, math.nan, math.nan)

    def _note(self, step: Step, share: float) -> None:
        x, z = step.curve(0), step.curve(2)
        if self.v[2] > 0.0 and slope(z, share) <= 0.0:
            self.top = max(self.top, value(z, find(slope_curve(z), 0.0, share, 0.0, 1.0)))
        for level in (NET_X_M, TABLE_LENGTH_M):
            if self.p[0] < level <= step.place[0]:
                at = find(x, 0.0, 1.0, level, -1.0)
                if at > share:
                    continue
                if level == NET_X_M:
                    self.net_z = value(z, at)
                else:
                    self.end_s = self.t + at * step.time_s


def figures(launch: Launch, law: Coefficients, ball: Ball, hops: int, arrival: bool) -> Figures:
    """Return one ball's figures when it lands on its hop number `hops` (1 direct, 2 serve-wise)."""
    state = _Ball(launch.position_m, launch.velocity_mps, launch.spin_radps, law)
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
    """Hold n balls' state between hops, as `_Ball` does for one, by the rule for a first look."""

    def __init__(self, launches: Launches, law: Coefficients, rule: Rule, noting: bool) -> None:
        self.p, self.v, self.w = launches.position_m.copy(), launches.velocity_mps.copy(), launches.spin_radps.copy()
        self.law, self.noting, self.rule = law, noting, rule
        n = self.p.shape[1]
        self.t, self.top = np.zeros(n), self.p[2].copy()
        self.net_z, self.end_s = np.full(n, np.nan), np.full(n, np.nan)

    def hop(self) -> None:
        """Fly until every ball has come down; the places of all landings are worked out together at the end."""
        r, rows = self.law.radius_m, np.flatnonzero(~np.isnan(self.p[0]))
        p, v = self.p[:, rows], self.v[:, rows]
        spin = spin_of(v, self.w[:, rows], self.law)
        numbers, landings = Arrays(), list[tuple[Any, Array, Array]]()
        for _ in range(MAX_STEPS):
            if not len(rows):
                break
            step = take_step(p, v, spin, self.law, numbers, rule=self.rule)
            lands = (p[2] >= r) & (step.place[2] < r)
            dips = (v[2] < 0.0) & (step.velocity[2] > 0.0) & (p[2] >= r) & ~lands
            if dips.any():
                lands |= falls_through(step.curve(2), r, step.place[2], step.velocity[2], numbers) <= 1.0
            if self.noting:
                self._note(rows, p, v, step, lands)
            here = np.flatnonzero(lands)
            if len(here):
                landings.append((rows[here], step.path[:, :, here], step.time_s[here]))
            if self.law.fade_pers:
                spin = spin._replace(size=spin.size * fade(step.time_s, self.law))
            p, v = step.place, step.velocity
            if len(here):
                going = np.flatnonzero(~lands)
                self.t[rows[going]] += step.time_s[going]
                rows, p, v, spin = rows[going], p[:, going], v[:, going], spin.of(going)
            else:
                self.t[rows] += step.time_s
        self.p[:, rows] = np.nan
        if landings:
            self._land(*(np.concatenate(parts, axis=-1) for parts in zip(*landings, strict=True)))

    def _land(self, rows: Any, path: Array, time_s: Array) -> None:
        """Put balls where the last steps of their hops come down to the height of a touch."""
        r, z = self.law.radius_m, path[:, 2]
        at = find_many(z, 0.0, 1.0, r, 1.0)
        dips = np.flatnonzero(z.sum(axis=0) >= r)
        if len(dips):
            low = z[:, dips]
            at[dips] = falls_through(low, r, low.sum(axis=0), slope(low, 1.0), Arrays())
        place, pace = value_and_slope(path, at)
        self.p[:, rows], self.v[:, rows] = place, pace / time_s
        self.p[2, rows] = r
        self.t[rows] += at * time_s
        if self.law.fade_pers:
            self.w[:, rows] *= fade(self.t[rows], self.law)

    def part(self, some: Any, ball: Ball) -> "_Many":
        """Return some of the balls, bounced."""
        v, w = bounce_many(self.v[:, some], self.w[:, some], ball)
        new = _Many(Launches(self.p[:, some], v, w), self.law, self.rule, self.noting)
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

    def _note(self, rows: Any, p: Array, v: Array, step: Step, lands: Any) -> None:
        some = np.flatnonzero((v[2] > 0.0) & (step.velocity[2] <= 0.0))
        if len(some):
            rise = step.curve(2, some)
            top = value(rise, find_many(slope_curve(rise), 0.0, 1.0, 0.0, 1.0))
            self.top[rows[some]] = np.maximum(self.top[rows[some]], top)
        for level, seen in ((NET_X_M, self.net_z), (TABLE_LENGTH_M, self.end_s)):
            some = np.flatnonzero((p[0] < level) & (step.place[0] >= level))
            if not len(some):
                continue
            at = find_many(step.curve(0, some), 0.0, 1.0, level, -1.0)
            height = value(step.curve(2, some), at)
            passes = ~lands[some] | (height >= self.law.radius_m)  # what comes after the landing does not count
            some, at, height = some[passes], at[passes], height[passes]
            if seen is self.net_z:
                seen[rows[some]] = height
            else:
                seen[rows[some]] = self.t[rows[some]] + at * step.time_s[some]


def look_at_many(
    launches: Launches,
    law: Coefficients,
    ball: Ball,
    arrival: bool,
    noting: bool,
    rule: Rule = FOURTH,
    serves: bool = True,
) -> tuple[Figures, Figures | None]:
    """Return `figures` of n balls for a landing on the first hop and on the second, a first look some mm off.

    Second hops are followed only if the first ends on the thrower's half or
    a little past its ends, so that a solution near the ends lies between two entries. Arrivals are at the end line.
    Without `noting`, clearance, apex and arrival are left out; without `serves`, the second hops. Both save time.
    """
    direct = _Many(launches, law, rule, noting)
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
