"""What is known of a flight once it is over: its touches, passages and path, and the words for them."""

import math
from dataclasses import dataclass
from typing import Literal

from drillfeed.daemon.physics.bounce import Vector
from drillfeed.daemon.physics.launch import Launch
from drillfeed.daemon.physics.roots import Curve, value
from drillfeed.daemon.physics.table import (
    HALF_LONG_BAND_M,
    MEASURED_SPEED_MPS,
    MEASURED_SPIN_REVPS,
    TABLE_LENGTH_M,
    VALID_SPEED_MPS,
    VALID_SPIN_REVPS,
)

Until = Literal["landing", "second", "floor"]
Half = Literal["thrower", "player"]
Length = Literal["short", "half-long", "long"]

LONGEST_FLIGHT_S = 6.0
MAX_BOUNCES = 12


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
class Piece:
    """Hold a part of the path: when it begins, the curves along x, y and z over `step_s`, and what share was flown."""

    t_s: float
    step_s: float
    share: float
    curves: tuple[Curve, Curve, Curve]

    def point(self, part: float) -> tuple[float, float, float, float]:
        """Return time (s) and place (m) at a part of this piece, 0 to 1."""
        s = part * self.share
        x, y, z = (float(value(curve, s)) for curve in self.curves)
        return self.t_s + s * self.step_s, x, y, z


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
    pieces: tuple[Piece, ...]

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
