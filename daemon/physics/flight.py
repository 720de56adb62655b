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
from typing import Literal

import numpy as np

from drillfeed.daemon.physics.air import STILL_AIR, Air
from drillfeed.daemon.physics.bounce import Vector, bounce
from drillfeed.daemon.physics.launch import Launch
from drillfeed.daemon.physics.motion import (
    Coefficients,
    advance,
    coefficients_of,
    fade,
    is_slanted,
    slant_share,
    step_for,
)
from drillfeed.daemon.physics.table import (
    HALF_LONG_BAND_M,
    HALF_WIDTH_M,
    MEASURED_SPEED_MPS,
    MEASURED_SPIN_REVPS,
    NET_BOX,
    NET_HALF_WIDTH_M,
    NET_HEIGHT_M,
    NET_X_M,
    PLAIN_BALL,
    TABLE_BOX,
    TABLE_HEIGHT_M,
    TABLE_LENGTH_M,
    VALID_SPEED_MPS,
    VALID_SPIN_REVPS,
    Ball,
    Box,
)
from drillfeed.daemon.physics.touch import (
    DIP_M,
    NEVER,
    cubic,
    first_touch,
    nearest_on,
    root_from,
    value,
    well_over_net,
)
from drillfeed.protocol.texts.catalogue import text

Until = Literal["landing", "second", "floor"]
Half = Literal["thrower", "player"]
Length = Literal["short", "half-long", "long"]
LONGEST_FLIGHT_S = 6.0
MOST_BOUNCES = 12


@dataclass(frozen=True)
class Bounce:
    """Hold one touch of the table; spin is about the horizontal axis across the path, topspin positive.

    `side_after_revps` is about the vertical, positive if it bends the ball to the thrower's left.
    """

    t_s: float
    x_m: float
    y_m: float
    half: Half
    edge: bool
    speed_before_mps: float
    speed_after_mps: float
    spin_after_revps: float
    side_after_revps: float


@dataclass(frozen=True)
class Passage:
    """Hold the ball's centre as it passes the player's end line; spin and sidespin as for a `Bounce`."""

    t_s: float
    y_m: float
    z_m: float
    speed_mps: float
    spin_revps: float
    side_revps: float


@dataclass(frozen=True)
class Knot:
    """Hold a place and velocity along the path; between two knots the path is a cubic."""

    t_s: float
    position_m: Vector
    velocity_mps: Vector


@dataclass(frozen=True)
class Flight:
    """Hold the result of a flight. None means it never happened; `reason` says why a ball is not valid."""

    launch: Launch
    valid: bool
    reason: str | None
    in_model_range: bool
    time_s: float | None
    landing_m: tuple[float, float] | None
    depth_m: float | None
    landing_speed_mps: float | None
    net_clearance_m: float | None
    apex_m: float
    bounces: tuple[Bounce, ...]
    second_bounce_m: float | None
    length: Length | None
    end_line: Passage | None
    knots: tuple[Knot, ...]

    @property
    def landing(self) -> Bounce | None:
        """Return the first touch on the player's half."""
        return next((b for b in self.bounces if b.half == "player"), None)

    @property
    def serve_wise(self) -> bool:
        """Tell whether the ball bounces on the thrower's half first."""
        return bool(self.bounces) and self.bounces[0].half == "thrower"

    @property
    def extrapolated(self) -> bool:
        """Tell whether the launch lies outside the flights that drag and lift were fitted to."""
        return not _within(self.launch, MEASURED_SPEED_MPS, MEASURED_SPIN_REVPS)


def fly(launch: Launch, *, air: Air = STILL_AIR, ball: Ball = PLAIN_BALL, until: Until = "second") -> Flight:
    """Return the flight of one ball; see the module's docstring for `until` and the events that are found."""
    walk = _Walk(launch, ball, coefficients_of(ball, air), until)
    while not walk.done:
        walk.step()
    return walk.flight()


def in_model_range(launch: Launch) -> bool:
    """Tell whether drag and lift figures are usable for a launch, 3-20 m/s and 0-120 rev/s: our judgement."""
    return _within(launch, VALID_SPEED_MPS, VALID_SPIN_REVPS)


def _within(launch: Launch, speeds: tuple[float, float], spins: tuple[float, float]) -> bool:
    edge = 1e-9  # 120 rev/s converted to rad/s and back must still count as 120
    (slow, fast), (min_revps, max_revps) = speeds, spins
    return slow - edge <= launch.speed_mps <= fast + edge and min_revps - edge <= launch.spin_revps <= max_revps + edge


def topspin_revps(velocity: Vector, spin: Vector) -> float:
    """Return the part of a spin about the horizontal axis across the path, topspin positive, in rev/s."""
    level = math.hypot(velocity[0], velocity[1])
    if level == 0.0:
        return math.hypot(*spin) / (2.0 * math.pi)
    return (spin[1] * velocity[0] - spin[0] * velocity[1]) / (level * 2.0 * math.pi)


def sidespin_revps(spin: Vector) -> float:
    """Return the part of a spin about the vertical, in rev/s; positive bends a ball to the thrower's left."""
    return spin[2] / (2.0 * math.pi)


def length_of(second_x_m: float) -> Length:
    """Return short, half-long or long, from the place along the table where the ball bounces a second time."""
    past = second_x_m - TABLE_LENGTH_M
    if abs(past) <= HALF_LONG_BAND_M:
        return "half-long"
    return "short" if past < 0.0 else "long"


def over_table(x_m: float, y_m: float) -> bool:
    """Tell whether a place lies over the table."""
    return 0.0 <= x_m <= TABLE_LENGTH_M and -HALF_WIDTH_M <= y_m <= HALF_WIDTH_M


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
    net_clearance: float | None = None
    net_passed: bool = False
    apex: float = -math.inf
    landed: Bounce | None = None
    second_x: float | None = None
    passage: Passage | None = None
    fault: str | None = None

    def __post_init__(self) -> None:
        self.p, self.v, self.w = self.launch.position_m, self.launch.velocity_mps, self.launch.spin_radps
        self.size = math.hypot(*self.w)
        self.longest_h = step_for(self.launch.speed_mps)
        self.slanted = is_slanted(self.v, self.w, self.size, self.law)
        self.apex = self.p[2]
        self.knots = [Knot(0.0, self.p, self.v)]

    def step(self) -> None:
        p, v = self.p, self.v
        self.h = h = self.longest_h * (slant_share(v, self.w, self.size, min, max) if self.slanted else 1.0)
        p1, v1 = advance(p, v, self.w, self.size, h, self.law, min)
        radius, low = self.ball.radius_m, min(p[2], p1[2])
        at, kind, level_at = NEVER, "", NEVER
        if low < radius + DIP_M:
            z = cubic(p[2] - radius, v[2], p1[2] - radius, v1[2], h)
            level_at = _falls_through(z, p[2] >= radius, p1[2] < radius, v[2], v1[2])
            if level_at < NEVER and over_table(*(value(cubic(p[i], v[i], p1[i], v1[i], h), level_at) for i in (0, 1))):
                at, kind, level_at = level_at, "table", NEVER
            floor_z = radius - TABLE_HEIGHT_M
            if p1[2] < floor_z <= p[2]:
                falls = root_from(cubic(p[2] - floor_z, v[2], p1[2] - floor_z, v1[2], h), 1.0)
                at, kind = (falls, "floor") if falls < at else (at, kind)
        for box, name in self._boxes_near(p1, v1):
            touch = self._touch(box, p1, v1)
            at, kind = (touch, name) if touch < at else (at, kind)
        self._note_passages(p1, v1, at, level_at)
        if kind:
            p1, v1 = advance(p, v, self.w, self.size, at * h, self.law, min)
        self._note_apex(p1, v1, at * h if kind else h)
        self._move(p1, v1, at * h if kind else h)
        if kind:
            self._meet(kind)
        self._finish_if_known()

    def _boxes_near(self, p1: Vector, v1: Vector) -> list[tuple[Box, str]]:
        """Return the obstacles that this step may touch: the net, and the table if the ball is past its edge."""
        near: list[tuple[Box, str]] = []
        p, r = self.p, self.ball.radius_m
        low = min(p[2], p1[2])
        near_net = min(p[0], p1[0]) <= NET_X_M + r and max(p[0], p1[0]) >= NET_X_M - r
        if near_net and low < NET_HEIGHT_M + r + DIP_M and not well_over_net(p, self.v, p1, v1, self.h, r, min, max):
            near.append((NET_BOX, "net"))
        outside = not (over_table(p[0], p[1]) and over_table(p1[0], p1[1]))
        if outside and low < r + DIP_M and max(p[2], p1[2]) > -r:
            near.append((TABLE_BOX, "edge"))
        return near

    def _touch(self, box: Box, p1: Vector, v1: Vector) -> float:
        ends = (np.array(a, dtype=np.float64)[:, None] for a in (self.p, self.v, p1, v1))
        p, v, q, u = ends
        return float(first_touch(p, v, q, u, np.array([self.h]), box, self.ball.radius_m)[0])

    def _note_passages(self, p1: Vector, v1: Vector, at: float, level_at: float) -> None:
        """Record passing the net plane, the end line, and table height beyond the edges, if before a touch."""
        p, v, h = self.p, self.v, self.h
        if not self.net_passed and p[0] < NET_X_M <= p1[0]:
            s = root_from(cubic(p[0] - NET_X_M, v[0], p1[0] - NET_X_M, v1[0], h), 0.5)
            if s <= at:
                self.net_passed = True
                y, z = (value(cubic(p[i], v[i], p1[i], v1[i], h), s) for i in (1, 2))
                if abs(y) <= NET_HALF_WIDTH_M:
                    self.net_clearance = z - self.ball.radius_m - NET_HEIGHT_M
        if self.passage is None and p[0] < TABLE_LENGTH_M <= p1[0]:
            s = root_from(cubic(p[0] - TABLE_LENGTH_M, v[0], p1[0] - TABLE_LENGTH_M, v1[0], h), 0.5)
            if s <= at:
                place, speed = advance(p, v, self.w, self.size, s * h, self.law, min)
                left = float(fade(s * h, self.law))
                spin, side = topspin_revps(speed, self.w) * left, sidespin_revps(self.w) * left
                self.passage = Passage(self.t + s * h, place[1], place[2], math.hypot(*speed), spin, side)
        if level_at < min(at, NEVER) and self.landed and self.second_x is None:
            self.second_x = value(cubic(p[0], v[0], p1[0], v1[0], h), level_at)

    def _note_apex(self, p1: Vector, v1: Vector, h: float) -> None:
        if self.landed:
            return
        self.apex = max(self.apex, p1[2])
        if self.v[2] > 0.0 >= v1[2]:
            top = value(cubic(self.p[2], self.v[2], p1[2], v1[2], h), self.v[2] / (self.v[2] - v1[2]))
            self.apex = max(self.apex, top)

    def _move(self, p1: Vector, v1: Vector, h: float) -> None:
        self.t += h
        self.p, self.v = p1, v1
        if self.law.fade_pers:
            left = float(fade(h, self.law))
            self.w = (self.w[0] * left, self.w[1] * left, self.w[2] * left)
            self.size *= left
        self.knots.append(Knot(self.t, p1, v1))

    def _meet(self, kind: str) -> None:
        """Bounce the ball off the table, or end its flight at the floor or net."""
        if kind == "floor":
            self.done = True
        elif kind == "net":
            self.done = True
            if self.landed is None:
                self.fault = text("flight.net", gap=_cm_over_tape(self.p, self.ball))
        else:
            self._bounce(edge=kind == "edge")

    def _bounce(self, edge: bool) -> None:
        if edge:
            near = nearest_on(TABLE_BOX, *self.p)
            gaps = tuple(float(a - b) for a, b in zip(self.p, near, strict=True))
            size = math.hypot(*gaps)
            normal = (gaps[0] / size, gaps[1] / size, gaps[2] / size)
        else:
            self.p = (self.p[0], self.p[1], self.ball.radius_m)
            normal = (0.0, 0.0, 1.0)
        before = math.hypot(*self.v)
        self.v, self.w = bounce(self.v, self.w, self.ball, normal)
        self.size = math.hypot(*self.w)
        self.slanted = is_slanted(self.v, self.w, self.size, self.law)
        self.knots.append(Knot(self.t, self.p, self.v))
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
        if len(self.bounces) >= MOST_BOUNCES or abs(self.v[2]) < 0.02:
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
            knots=tuple(self.knots),
        )


def _falls_through(z: tuple[float, float, float, float], above: bool, below: bool, v0: float, v1: float) -> float:
    """Return when a ball comes down through a level, even if it dips below and rises again within the step."""
    if not above:
        return NEVER
    if below:
        # On a falling, concave path Newton's rule converges from the far end; if the ball has turned up, from the near
        # end.
        return root_from(z, 1.0 if v1 < 0.0 else 0.0)
    if v0 < 0.0 < v1:
        lowest = v0 / (v0 - v1)
        return root_from(z, 0.0) if value(z, lowest) < 0.0 else NEVER
    return NEVER


def _cm_over_tape(p: Vector, ball: Ball) -> str:
    gap_cm = 100.0 * (p[2] - ball.radius_m - NET_HEIGHT_M)
    return text("flight.gap", gap_cm=abs(gap_cm), way=text("flight.over") if gap_cm > 0.0 else text("flight.below"))


def _miss(bounces: list[Bounce], net_passed: bool) -> str:
    if bounces:
        return text("flight.own-half")
    if not net_passed:
        return text("flight.short")
    return text("flight.past")
