"""The properties of a simulated thrower, and the result of a ball that leaves it.

Rule of this file: plain numbers, no dynamics; the caller fills them from a machine profile.
"""

from collections.abc import Callable
from dataclasses import asdict, dataclass
from typing import Literal

from drillfeed.clients.drivers.board import DriverTraits

FeederKind = Literal["indexed", "crank-home-switch", "crank-timed"]


@dataclass(frozen=True, slots=True)
class WheelTraits:
    """One wheel with its motor. `rise` and `fall` are what motor and brake can do, not what they are allowed to do."""

    diameter_m: float
    inertia_kgm2: float
    high_rpm: float
    rise_rpm_per_s: float
    fall_rpm_per_s: float | None = None
    coast_tau_s: float | None = None
    spin_down_s: float = 8.0
    closing_s: float = 0.012


@dataclass(frozen=True, slots=True)
class FeederTraits:
    """What pushes the balls: `latency_s` from the push to the ball being out, `spread_s` its largest deviation."""

    kind: FeederKind
    latency_s: float
    spread_s: float
    cycle_s: float
    phase_error_per_turn: float = 0.0


@dataclass(frozen=True, slots=True)
class ScatterTraits:
    """How much balls differ from each other: standard deviations, and the tilt's play from end to end.

    `wheel_share` is each wheel's own error, which is too short for its sensor to show.
    """

    speed_share: float = 0.0
    spin_share: float = 0.0
    angle_deg: float = 0.0
    wheel_share: float = 0.0
    tilt_play_deg: float = 0.0


@dataclass(frozen=True, slots=True)
class TimedTiltTraits:
    """A tilt that is moved by time between two stops; each move is off by a deviation of its own."""

    low_deg: float
    high_deg: float
    drift_deg_per_move: float


@dataclass(frozen=True, slots=True)
class ThrowerTraits:
    """A whole thrower. `supply_v` is None if not measured; `hopper_seen` says whether it senses the hopper's level."""

    driver: DriverTraits
    top: WheelTraits
    bottom: WheelTraits
    feeder: FeederTraits
    scatter: ScatterTraits
    hopper_balls: int
    hopper_low_at: int = 10
    hopper_seen: bool = False
    angle_seen: bool = True
    supply_v: float | None = None
    sag_share: float = 0.08
    noise_share: float = 0.002
    ball_mass_kg: float = 2.70e-3
    ball_radius_m: float = 0.020
    timed_tilt: TimedTiltTraits | None = None


@dataclass(frozen=True, slots=True)
class ReleaseState:
    """A ball as it leaves the wheels: speed, the wheels' spin (positive if the top wheel is faster) and the angles of
    the head at that instant. The roll splits the spin into topspin and sidespin.
    """

    at_s: float
    speed_mps: float
    spin_revps: float
    tilt_deg: float
    pan_deg: float = 0.0
    roll_deg: float = 0.0


@dataclass(frozen=True, slots=True)
class Landing:
    """The result of a ball. A field is None if what it describes never happened; `reason` says why a ball is no good.

    `x_m` runs along the table from the thrower's end line, `y_m` to the left as the thrower sees it, `depth_m` from the
    net to the first touch on the player's half, `after_s` from release to that touch. At the end line spin is topspin,
    `end_line_side_revps` sidespin, positive if it bends the ball to the thrower's left.
    """

    valid: bool
    reason: str | None = None
    x_m: float | None = None
    y_m: float | None = None
    depth_m: float | None = None
    after_s: float | None = None
    net_clearance_m: float | None = None
    end_line_speed_mps: float | None = None
    end_line_spin_revps: float | None = None
    end_line_side_revps: float | None = None

    def logged(self) -> dict[str, object]:
        """Return it as the log keeps it: lengths to a tenth of a millimetre."""
        return {key: round(value, 4) if isinstance(value, float) else value for key, value in asdict(self).items()}


Fly = Callable[[ReleaseState], Landing]
Parts = Callable[[float, float], tuple[float, float]]
"""Topspin and sidespin in rev/s from the wheels' spin in rev/s and the head's roll in degrees."""
