"""Flight of one ball from the wheels to the table and past it, in plain Python floats (some 0.3 ms a flight).

    fly(launch, *, air=STILL_AIR, ball=PLAIN_BALL, until="second") -> Flight

`launch` comes from `launch.launch_from(...)`. `until` says how far to follow the ball: "landing" (first touch on
the player's half), "second" (also its second bounce and the passage over the player's end line), "floor". Arrays of
balls: `flight_batch.fly_many`, with the same figures. Events are found as roots of the path, independent of the
steps: net
plane, touches of table, edges and net (with its overhang past the side lines), end line, floor. The flight ends if the
ball touches the net; net cords are not modelled. A landing is the ball's first touch, its centre one radius above the
table.
"""

import math
from dataclasses import dataclass, field

import numpy as np

from drillfeed.daemon.physics.air import STILL_AIR, Air
from drillfeed.daemon.physics.bounce import Vector, bounce
from drillfeed.daemon.physics.launch import Launch
from drillfeed.daemon.physics.meeting import CORNER, EDGE, FLOOR, NET, Meeting, first_meeting
from drillfeed.daemon.physics.motion import Coefficients, coefficients_of
from drillfeed.daemon.physics.numbers import FLOATS
from drillfeed.daemon.physics.record import (
    LONGEST_FLIGHT_S,
    MAX_BOUNCES,
    Bounce,
    Flight,
    Half,
    Passage,
    Piece,
    Until,
    in_model_range,
    length_of,
    sidespin_revps,
    topspin_revps,
)
from drillfeed.daemon.physics.roots import NEVER, find, slope_curve, value
from drillfeed.daemon.physics.stepper import Step, fade, spin_of, take_step
from drillfeed.daemon.physics.table import (
    NET_HALF_WIDTH_M,
    NET_HEIGHT_M,
    NET_X_M,
    PLAIN_BALL,
    TABLE_BOX,
    TABLE_LENGTH_M,
    Ball,
)
from drillfeed.daemon.physics.touch import nearest_on
from drillfeed.protocol.texts.catalogue import text


def fly(launch: Launch, *, air: Air = STILL_AIR, ball: Ball = PLAIN_BALL, until: Until = "second") -> Flight:
    """Return the flight of one ball; see the module's docstring for `until` and the events that are found."""
    walk = _Walk(launch, ball, coefficients_of(ball, air), until)
    while not walk.done:
        walk.step()
    return walk.flight()


@dataclass
class _Walk:
    """Hold the ball's state in flight; `step` moves it to the end of the next step or to the next touch."""

    launch: Launch
    ball: Ball
    law: Coefficients
    until: Until
    done: bool = False
    t: float = 0.0
    bounces: list[Bounce] = field(default_factory=list)
    pieces: list[Piece] = field(default_factory=list)
    net_clearance: float | None = None
    net_passed: bool = False
    apex: float = -math.inf
    landed: Bounce | None = None
    second_x: float | None = None
    passage: Passage | None = None
    fault: str | None = None

    def __post_init__(self) -> None:
        self.p, self.v, self.w = self.launch.position_m, self.launch.velocity_mps, self.launch.spin_radps
        self.spin = spin_of(self.v, self.w, self.law)
        self.apex = self.p[2]

    def step(self) -> None:
        step = take_step(self.p, self.v, self.spin, self.law, FLOATS)
        meeting = first_meeting(step, self.p, self.ball.radius_m, FLOATS)
        self._note_passages(step, meeting)
        self._move(step, min(meeting.at, 1.0))
        if meeting.kind == CORNER:
            self.spin = self.spin._replace(capped=1.0 - self.spin.capped)
        elif meeting.kind:
            self._meet(meeting.kind)
        self._finish_if_known()

    def _note_passages(self, step: Step, meeting: Meeting) -> None:
        """Record passing the net plane, the end line, and table height beyond the edges, if before a touch."""
        x, y, z = step.curve(0), step.curve(1), step.curve(2)
        if not self.net_passed and meeting.net <= min(meeting.at, 1.0):
            self.net_passed = True
            if abs(value(y, meeting.net)) <= NET_HALF_WIDTH_M:
                self.net_clearance = value(z, meeting.net) - self.ball.radius_m - NET_HEIGHT_M
        if self.passage is None and self.p[0] < TABLE_LENGTH_M <= step.place[0]:
            s = find(x, 0.0, 1.0, TABLE_LENGTH_M, -1.0)
            if s <= meeting.at:
                place, speed = step.at(s)
                left = float(fade(s * step.time_s, self.law))
                spin, side = topspin_revps(speed, self.w) * left, sidespin_revps(self.w) * left
                self.passage = Passage(self.t + s * step.time_s, place[1], place[2], math.hypot(*speed), spin, side)
        if meeting.beside < min(meeting.at, NEVER) and self.landed and self.second_x is None:
            self.second_x = value(x, meeting.beside)

    def _move(self, step: Step, share: float) -> None:
        z = step.curve(2)
        h = share * step.time_s
        self.pieces.append(Piece(self.t, step.time_s, share, (step.curve(0), step.curve(1), z)))
        p, v = (step.place, step.velocity) if share == 1.0 else step.at(share)
        if not self.landed:
            self.apex = max(self.apex, p[2])
            if self.v[2] > 0.0 >= v[2]:
                self.apex = max(self.apex, value(z, find(slope_curve(z), 0.0, share, 0.0, 1.0)))
        self.t += h
        self.p, self.v = p, v
        if self.law.fade_pers:
            left = float(fade(h, self.law))
            self.w = (self.w[0] * left, self.w[1] * left, self.w[2] * left)
            self.spin = self.spin._replace(size=self.spin.size * left)

    def _meet(self, kind: int) -> None:
        """Bounce the ball off the table, or end its flight at the floor or net."""
        if kind == FLOOR:
            self.done = True
        elif kind == NET:
            self.done = True
            if self.landed is None:
                self.fault = text("flight.net", gap=_cm_over_tape(self.p, self.ball))
        else:
            self._bounce(edge=kind == EDGE)

    def _bounce(self, edge: bool) -> None:
        if edge:
            near = nearest_on(TABLE_BOX, np.array(self.p)[:, None])[:, 0]
            gaps = tuple(float(a - b) for a, b in zip(self.p, near, strict=True))
            size = math.hypot(*gaps)
            normal = (gaps[0] / size, gaps[1] / size, gaps[2] / size)
        else:
            self.p = (self.p[0], self.p[1], self.ball.radius_m)
            normal = (0.0, 0.0, 1.0)
        before = math.hypot(*self.v)
        self.v, self.w = bounce(self.v, self.w, self.ball, normal)
        self.spin = spin_of(self.v, self.w, self.law)
        if normal[2] <= 0.0:
            self.done = True
            if self.landed is None:
                self.fault = text("flight.side")
            return
        half: Half = "player" if self.p[0] > NET_X_M else "thrower"
        spin, side = topspin_revps(self.v, self.w), sidespin_revps(self.w)
        touch = Bounce(self.t, self.p[0], self.p[1], half, edge, before, math.hypot(*self.v), spin, side)
        self._count(touch)

    def _count(self, touch: Bounce) -> None:
        self.bounces.append(touch)
        if self.landed and self.second_x is None:
            self.second_x = touch.x_m
        if touch.half == "player" and self.landed is None:
            self.landed = touch
        elif self.landed is None and len(self.bounces) > 1:
            self.fault = text("flight.twice-own-half")
            self.done = True
        if len(self.bounces) >= MAX_BOUNCES or abs(self.v[2]) < 0.02:
            self.done = True

    def _finish_if_known(self) -> None:
        if self.t > LONGEST_FLIGHT_S or (self.until == "landing" and (self.landed or self._is_past())):
            self.done = True
        elif self.second_x is not None and self.until == "second":
            self.done = self.done or self.passage is not None or self.second_x <= TABLE_LENGTH_M or self.v[0] <= 0.0

    def _is_past(self) -> bool:
        """Tell whether the ball can't land any more: it is past the table, or below it."""
        r = self.ball.radius_m
        return self.p[0] > TABLE_LENGTH_M + r or self.p[2] < -r

    def flight(self) -> Flight:
        """Return the record of the whole flight."""
        landed = self.landed
        reason = self.fault or (None if landed else _miss(self.bounces, self.net_passed))
        return Flight(
            launch=self.launch,
            valid=landed is not None and reason is None,
            reason=reason,
            in_model_range=in_model_range(self.launch),
            time_s=landed.t_s if landed else None,
            landing_m=(landed.x_m, landed.y_m) if landed else None,
            depth_m=landed.x_m - NET_X_M if landed else None,
            landing_speed_mps=landed.speed_before_mps if landed else None,
            net_clearance_m=self.net_clearance,
            apex_m=self.apex,
            bounces=tuple(self.bounces),
            second_bounce_m=None if self.second_x is None else self.second_x - NET_X_M,
            length=None if self.second_x is None else length_of(self.second_x),
            end_line=self.passage,
            pieces=tuple(self.pieces),
        )


def _cm_over_tape(p: Vector, ball: Ball) -> str:
    gap_cm = 100.0 * (p[2] - ball.radius_m - NET_HEIGHT_M)
    return text("flight.gap", gap_cm=abs(gap_cm), way=text("flight.over") if gap_cm > 0.0 else text("flight.below"))


def _miss(bounces: list[Bounce], net_passed: bool) -> str:
    if bounces:
        return text("flight.own-half")
    if not net_passed:
        return text("flight.short")
    return text("flight.past")
