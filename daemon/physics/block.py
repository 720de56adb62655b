"""Balls of one block in flight, a step at a time; `flight_batch.fly_many` cuts many balls into blocks and joins them.

Rule of this file: each figure equals that of `flight.fly` for the same ball, with or without constants of its own.
"""

from collections.abc import Iterable
from typing import Any

import numpy as np
from numpy.typing import NDArray

from drillfeed.daemon.physics.air import Air
from drillfeed.daemon.physics.bounce import bounce_many
from drillfeed.daemon.physics.launch import Launches
from drillfeed.daemon.physics.meeting import CORNER, EDGE, FLOOR, NET, TABLE, Meeting, first_meeting
from drillfeed.daemon.physics.motion import coefficients_of
from drillfeed.daemon.physics.numbers import Arrays
from drillfeed.daemon.physics.record import LONGEST_FLIGHT_S, MAX_BOUNCES, Until
from drillfeed.daemon.physics.roots import NEVER, find_many, slope_curve, value
from drillfeed.daemon.physics.stepper import Step, fade, spin_of, take_step
from drillfeed.daemon.physics.table import (
    NET_HALF_WIDTH_M,
    NET_HEIGHT_M,
    NET_X_M,
    TABLE_BOX,
    TABLE_LENGTH_M,
    Ball,
)
from drillfeed.daemon.physics.touch import nearest_on
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
        self.ball, self.until, self.rough = ball, until, rough
        self.constants = None if constants is None else constants.of(part)
        self.law = coefficients_of(ball, air, self.constants)
        self.p = launches.position_m[:, part].copy()
        self.v = launches.velocity_mps[:, part].copy()
        self.w = launches.spin_radps[:, part].copy()
        n = self.p.shape[1]
        self.index = np.arange(n)
        self.numbers = Arrays()
        self.t = np.zeros(n)
        self.spin = spin_of(self.v, self.w, self.law)
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
        step = take_step(self.p, self.v, self.spin, self.law, self.numbers, self.rough)
        meeting = first_meeting(step, self.p, self.ball.radius_m, self.numbers)
        self._note_passages(step, meeting)
        met = np.flatnonzero(meeting.kind)
        self._move(step, meeting, met)
        done = self.t > LONGEST_FLIGHT_S
        turned = met[meeting.kind[met] == CORNER]
        self.spin.capped[turned] = 1.0 - self.spin.capped[turned]
        met = met[meeting.kind[met] != CORNER]
        if len(met):
            self._meet(met, meeting.kind[met], done)
        self._drop(done | self._known())

    def _note_passages(self, step: Step, meeting: Meeting) -> None:
        """Record passing the net plane, the end line, and table height beyond the edges, if before a touch."""
        out = self.out
        passed = np.flatnonzero((meeting.net < NEVER) & (meeting.net <= meeting.at))
        passed = passed[np.isnan(out["net_clearance_m"][self.index[passed]])]
        if len(passed):
            s = meeting.net[passed]
            y, z = (value(step.curve(axis, passed), s) for axis in (1, 2))
            clearance = np.where(np.abs(y) <= NET_HALF_WIDTH_M, z - self.ball.radius_m - NET_HEIGHT_M, np.nan)
            out["net_clearance_m"][self.index[passed]] = clearance
        ends = np.flatnonzero((self.p[0] < TABLE_LENGTH_M) & (step.place[0] >= TABLE_LENGTH_M))
        ends = ends[np.isnan(out["end_line_s"][self.index[ends]])]
        if len(ends):
            s = find_many(step.curve(0, ends), 0.0, 1.0, TABLE_LENGTH_M, -1.0)
            first = s <= meeting.at[ends]
            ends, s = ends[first], s[first]
            out["end_line_s"][self.index[ends]] = self.t[ends] + s * step.time_s[ends]
            out["end_line_z_m"][self.index[ends]] = value(step.curve(2, ends), s)
        past = np.flatnonzero((meeting.beside < NEVER) & (meeting.beside < meeting.at))
        if len(past):
            rows = self.index[past]
            past = past[~np.isnan(out["time_s"][rows]) & np.isnan(out["second_bounce_x_m"][rows])]
            out["second_bounce_x_m"][self.index[past]] = value(step.curve(0, past), meeting.beside[past])

    def _move(self, step: Step, meeting: Meeting, met: Any) -> None:
        """Move each ball to the end of its step, or to what it meets, and record how high it came."""
        share = np.minimum(meeting.at, 1.0)
        taken = share * step.time_s
        if len(met):
            place, velocity = step.at_many(share, met)
            step.place[:, met], step.velocity[:, met] = place, velocity
        flying = np.isnan(self.out["time_s"][self.index])
        top = np.flatnonzero(flying & (self.v[2] > 0.0) & (step.velocity[2] <= 0.0))
        best = self.out["apex_m"]
        if len(top):
            z = step.curve(2, top)
            height = value(z, find_many(slope_curve(z), 0.0, share[top], 0.0, 1.0))
            best[self.index[top]] = np.maximum(best[self.index[top]], height)
        best[self.index[flying]] = np.maximum(best[self.index[flying]], step.place[2, flying])
        self.t = self.t + taken
        self.p, self.v = step.place, step.velocity
        if self.law.fade_pers:
            left = fade(taken, self.law)
            self.w, self.spin = self.w * left, self.spin._replace(size=self.spin.size * left)

    def _meet(self, met: Any, kind: Any, done: Flags) -> None:
        rows, out = self.index[met], self.out
        out["touches_net"][rows[(kind == NET) & np.isnan(out["time_s"][rows])]] = True
        done[met[(kind == FLOOR) | (kind == NET)]] = True
        hit = met[(kind == TABLE) | (kind == EDGE)]
        if not len(hit):
            return
        edge = kind[(kind == TABLE) | (kind == EDGE)] == EDGE
        normal = np.zeros((3, len(hit)))
        normal[2] = 1.0
        if edge.any():
            place = self.p[:, hit[edge]]
            gap = place - nearest_on(TABLE_BOX, place)
            normal[:, edge] = gap / np.sqrt((gap * gap).sum(axis=0))
        self.p[2, hit[~edge]] = self.ball.radius_m
        before = np.sqrt((self.v[:, hit] ** 2).sum(axis=0))
        surface = () if self.constants is None else self.constants.surface(hit)
        self.v[:, hit], self.w[:, hit] = bounce_many(self.v[:, hit], self.w[:, hit], self.ball, normal, *surface)
        self.spin.update(hit, spin_of(self.v[:, hit], self.w[:, hit], self.law.of(hit)))
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
        spin = np.where(level == 0.0, self.spin.size[fresh], cross / np.where(level == 0.0, 1.0, level))
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
        self.index, self.t, self.spin = self.index[keep], self.t[keep], self.spin.of(keep)
        if self.constants is not None:
            self.law, self.constants = self.law.of(keep), self.constants.of(keep)
