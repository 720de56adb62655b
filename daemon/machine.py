"""The machine profile: the parts and limits of one thrower, written by its builder in TOML.

Rule of this file: lengths are in metres, but for the diameter of a wheel. Nothing here decides anything about balls.
`wheel.py` has the wheels.
"""

import math
from typing import Annotated, Any, Literal

from pydantic import Field, model_validator

from drillfeed.daemon.calibration import Calibration, Trims
from drillfeed.daemon.known import Known, has_key, places_of
from drillfeed.daemon.validation import Table, Words
from drillfeed.daemon.wheel import Wheel
from drillfeed.protocol.link import AngleLimits, Limits
from drillfeed.protocol.texts.catalogue import text

WheelName = Literal["top", "bottom"]
USUAL_SAG_SHARE = 0.05  # where nothing measures the speed and the profile gives no figure: a default of ours
Positive = Annotated[float, Field(gt=0)]


class AngleAxis(Table):
    """A motor that turns the head: tilt (up positive), pan (left positive) or roll."""

    low_deg: Annotated[float, Field(ge=-180, le=180)]
    high_deg: Annotated[float, Field(ge=-180, le=180)]
    slew_deg_per_s: Annotated[float, Field(gt=0, le=1000)]
    play_deg: Annotated[float, Field(ge=0, le=10)] = 0.0
    by_time: Annotated[bool, Field(description="an actuator is run for a time, and no sensor sees the angle")] = False
    home_margin_deg: Annotated[
        float, Field(gt=0, le=30, description="by time: driven so far past the lower stop to find it")
    ] = 3.0
    drift_deg_per_move: Annotated[
        float, Field(ge=0, le=5, description="by time: by how much one move is off, a standard deviation")
    ] = 0.0
    max_drift_deg: Annotated[
        float, Field(gt=0, le=10, description="by time: summed up before the lower stop is found anew")
    ] = 1.0

    @model_validator(mode="after")
    def _ordered(self) -> "AngleAxis":
        if self.low_deg >= self.high_deg:
            raise ValueError(text("machine.low-deg"))
        if not self.by_time and self.drift_deg_per_move:
            raise ValueError(text("machine.drift"))
        return self

    @property
    def home_deg(self) -> float:
        """Return where an axis without a sensor is sent to find its lower stop."""
        return self.low_deg - self.home_margin_deg if self.by_time else self.low_deg

    def drift_after_deg(self, moves: int) -> float:
        """Return the deviation of an axis by time after so many moves, each off by its own."""
        return self.drift_deg_per_move * math.sqrt(moves)

    @property
    def max_moves(self) -> int | None:
        """Return after how many moves the lower stop must be found anew; None if never."""
        if not self.drift_deg_per_move:
            return None
        return max(int((self.max_drift_deg / self.drift_deg_per_move) ** 2), 1)

    def limits(self) -> AngleLimits:
        """Return this axis's limits for the link; those of an axis by time reach past its lower stop, to find it."""
        return AngleLimits(low_deg=self.home_deg, high_deg=self.high_deg, slew_deg_per_s=self.slew_deg_per_s)


class Opening(Table):
    """Where the ball's centre leaves the wheels at tilt 0, and how the thrower stands."""

    height_m: Annotated[float, Field(ge=-0.7, le=2, description="above the table's surface")]
    behind_end_line_m: Annotated[float, Field(ge=-1, le=3)]
    pivot_to_opening_m: Annotated[float, Field(ge=0, le=1)] = 0.0
    sideways_m: Annotated[float, Field(ge=-2, le=2, description="left of the centre line, seen by the thrower")] = 0.0
    yaw_deg: Annotated[float, Field(ge=-60, le=60, description="standing turn to the left")] = 0.0


class Feeder(Table):
    """Pushes one ball at a time between the wheels.

    `latency_s` is the time from the order to the ball being out of the wheels; it may differ by up to
    `spread_s` either way. A crank by time has no switch, so each turn adds `phase_error_per_turn`.
    """

    kind: Literal["indexed", "crank-home-switch", "crank-timed"]
    latency_s: Annotated[float, Field(gt=0, le=3)]
    spread_s: Annotated[float, Field(ge=0, le=1)]
    low_balls_per_min: Annotated[float, Field(ge=0, le=200)] = 0.0
    high_balls_per_min: Annotated[float, Field(gt=0, le=200)]
    phase_error_per_turn: Annotated[float, Field(ge=0, le=0.2, description="share of a turn")] = 0.0
    max_phase_error: Annotated[
        float, Field(gt=0, le=0.5, description="share of a turn before the crank must be turned to its mark")
    ] = 0.25

    @model_validator(mode="after")
    def _agree(self) -> "Feeder":
        if self.low_balls_per_min >= self.high_balls_per_min:
            raise ValueError(text("machine.low-rate"))
        if self.kind == "crank-timed" and self.phase_error_per_turn == 0:
            raise ValueError(text("machine.crank-drift"))
        if self.kind != "crank-timed" and self.phase_error_per_turn > 0:
            raise ValueError(text("machine.crank-by-time"))
        return self

    @property
    def cycle_s(self) -> float:
        """Return the shortest time between two balls in seconds: one turn of a crank."""
        return 60 / self.high_balls_per_min

    def spread_after_s(self, turns: int) -> float:
        """Return the possible error of `leaves` in seconds, `turns` turns after the crank stood at its mark."""
        return self.spread_s + turns * self.phase_error_per_turn * self.cycle_s

    @property
    def max_turns(self) -> int | None:
        """Return after how many turns the crank must be turned to its mark by hand; None if never."""
        if self.kind != "crank-timed":
            return None
        return int(self.max_phase_error / self.phase_error_per_turn)


class Hopper(Table):
    """The store of balls above the feeder."""

    balls: Annotated[int, Field(ge=1, le=1000)]
    low_at: Annotated[int, Field(ge=0, description="balls left when the warning comes")] = 10
    agitator: bool = False


class Sensors(Table):
    """The sensors of the machine."""

    speed_feedback: bool
    exit_sensor: bool


class Supply(Table):
    """Supply voltage limits; a machine that cannot measure it leaves this out."""

    low_v: Positive
    high_v: Positive


class Settling(Table):
    """How long the axes settle after arriving, before a ball may enter, in seconds."""

    wheels_s: Annotated[float, Field(ge=0, le=5)] = 0.10
    tilt_s: Annotated[float, Field(ge=0, le=5)] = 0.10


class Scatter(Table):
    """How much balls differ, as standard deviations; used for warnings and by the simulated thrower."""

    speed_share: Annotated[float, Field(ge=0, le=0.2)] = 0.01
    spin_share: Annotated[float, Field(ge=0, le=0.2)] = 0.02
    angle_deg: Annotated[float, Field(ge=0, le=10)] = 0.4


class Machine(Table):
    """A whole machine profile."""

    name: Annotated[str, Field(pattern="^[a-z0-9][a-z0-9-]{0,39}$")]
    title: Annotated[Words, Field(max_length=120)]
    top: Wheel
    bottom: Wheel
    tilt: AngleAxis
    pan: AngleAxis | None = None
    roll: AngleAxis | None = None
    opening: Opening
    feeder: Feeder
    hopper: Hopper
    sensors: Sensors
    supply: Supply | None = None
    settling: Settling = Settling()
    scatter: Scatter = Scatter()
    known: dict[str, Known] = Field(
        default_factory=dict, description="how each value is known, by its path: 'wheels.diameter_mm'"
    )
    calibration: Calibration | None = None
    trims: Trims = Trims()

    @model_validator(mode="before")
    @classmethod
    def _share_wheels(cls, data: Any) -> Any:
        """Merge `[wheels]`, which both wheels share, with `[wheels.top]` and `[wheels.bottom]`."""
        if not isinstance(data, dict) or "wheels" not in data:
            return data
        rest = {key: value for key, value in data.items() if key != "wheels"}
        shared = data["wheels"]
        if not isinstance(shared, dict):
            return data
        common = {key: value for key, value in shared.items() if key not in ("top", "bottom")}
        for wheel in ("top", "bottom"):
            tables = (common, shared.get(wheel, {}), rest.get(wheel, {}))
            strange = [table for table in tables if not isinstance(table, dict)]
            rest[wheel] = strange[0] if strange else {**tables[0], **tables[1], **tables[2]}
        return rest

    @model_validator(mode="after")
    def _parts_fit(self) -> "Machine":
        if self.hopper.low_at >= self.hopper.balls:
            raise ValueError(text("machine.low-at"))
        if self.roll is not None and not self.roll.low_deg <= 0 <= self.roll.high_deg:
            raise ValueError(text("machine.roll-upright"))
        if by_time := [name for name, axis in (("pan", self.pan), ("roll", self.roll)) if axis and axis.by_time]:
            raise ValueError(text("machine.by-time", axis=by_time[0]))
        if self.supply is not None and self.supply.low_v >= self.supply.high_v:
            raise ValueError(text("machine.supply"))
        if strange := [path for path in self.known if not has_key(Machine, path)]:
            raise ValueError(text("machine.known", paths=", ".join(strange[:3])))
        try:
            figures = [
                *self.limits().model_dump().values(),
                self.top.coast_friction_rpm,
                self.bottom.coast_friction_rpm,
            ]
        except (ArithmeticError, ValueError):
            figures = []
        if not figures:
            raise ValueError(text("machine.absurd"))
        return self

    def wheel(self, name: WheelName) -> Wheel:
        """Return the top or the bottom wheel."""
        return self.top if name == "top" else self.bottom

    def known_of(self, path: str) -> tuple[str, Known] | None:
        """Return under which path a value is marked and how it is known; None if the profile does not say."""
        return next(((place, self.known[place]) for place in places_of(path) if place in self.known), None)

    def limits(self) -> Limits:
        """Return the limits of all axes in the form that the link carries."""
        return Limits(
            top=self.top.limits(),
            bottom=self.bottom.limits(),
            tilt=self.tilt.limits(),
            pan=self.pan.limits() if self.pan else None,
            roll=self.roll.limits() if self.roll else None,
        )

    @property
    def sag_share(self) -> float:
        """Return the share of the wheels' high limit that fitting leaves free for a battery that runs down."""
        house = 0.0 if self.sensors.speed_feedback else USUAL_SAG_SHARE
        return max(house if wheel.sag_share is None else wheel.sag_share for wheel in (self.top, self.bottom))

    @property
    def spin_down_s(self) -> float:
        """Return the longer of the two wheels' spin-down times."""
        return max(self.top.spin_down_s, self.bottom.spin_down_s)
