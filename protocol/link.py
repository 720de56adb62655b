"""Messages between the daemon and a motor driver: one JSON frame each, over ZeroMQ ROUTER-DEALER.

Rules of this file: every number is finite and carries its unit in its name; wheel speeds are rpm of
the wheel (not of the motor), angles degrees, times seconds; a time named `at_s`, `until_s` or
`now_s` is on the driver's own clock. LINK.md says what each side does with them, in which order.
Unknown fields are passed over, so that a later version may add some; wrong types never are. `frames.py` reads and
writes the frames.
"""

import hashlib
from typing import Annotated, Literal

from pydantic import AfterValidator, BaseModel, ConfigDict, Field

from drillfeed.protocol.plain import plain

VERSION = 1
FRAME_BYTES_MAX = 16_384
# A frame between the two is refused with its reason; one that is longer closes the connection unread (ZMQ_MAXMSGSIZE).
SOCKET_BYTES_MAX = 2 * FRAME_BYTES_MAX
MISFITS_MAX = 40

TICK_S = 0.020
LEAD_S = 0.300
MIN_LEAD_S = 0.100
LATE_S = 0.020
VALID_S = 0.300
WATCHDOG_FEED_S = 0.250
WATCHDOG_STOP_S = 0.500
BAND_SHARE = 0.02
BAND_RIM_MPS = 0.10
BAND_MEDIAN_S = 0.100
BAND_ANGLE_DEG = 1.0
REST_RIM_MPS = 0.10
PING_S = 0.250

Count = Annotated[int, Field(ge=0, le=2**53)]
Text = Annotated[str, Field(max_length=200), AfterValidator(plain)]
Positive = Annotated[float, Field(gt=0)]
Time = Annotated[float, Field(ge=0)]
Axis = Literal["top", "bottom", "tilt", "pan", "roll"]
WHEELS: tuple[Axis, ...] = ("top", "bottom")
ANGLES: tuple[Axis, ...] = ("tilt", "pan", "roll")


class Record(BaseModel):
    """A part of a message: immutable, strict in types, no NaN and no infinity."""

    model_config = ConfigDict(frozen=True, strict=True, extra="ignore", allow_inf_nan=False)


class WheelLimits(Record):
    """What a wheel may do: speed range in rpm, rates in rpm per second."""

    low_rpm: float
    high_rpm: float
    up_rpm_per_s: Positive
    down_rpm_per_s: Positive
    quick_rpm_per_s: Positive


class AngleLimits(Record):
    """What an angle axis may do: range in degrees, slew rate in degrees per second."""

    low_deg: float
    high_deg: float
    slew_deg_per_s: Positive


class Limits(Record):
    """The limits of every axis; an axis the thrower has not is None."""

    top: WheelLimits
    bottom: WheelLimits
    tilt: AngleLimits | None = None
    pan: AngleLimits | None = None
    roll: AngleLimits | None = None

    def digest(self) -> str:
        """Return 16 hexadecimal digits of the SHA-256 of these limits as compact JSON, keys in the order above."""
        return hashlib.sha256(self.model_dump_json().encode()).hexdigest()[:16]


class Message(Record):
    """What every message carries: the protocol version."""

    v: int = VERSION


class DriverHello(Message):
    """Driver to daemon: who I am and what I can do. Sent until the daemon's hello arrives, and to answer one."""

    kind: Literal["hello"] = "hello"
    driver: Text
    boot: Annotated[
        str,
        AfterValidator(plain),
        Field(min_length=4, max_length=64, description="drawn anew each time the driver starts"),
    ]
    now_s: Time
    limits: Limits = Field(description="the driver's own limits; the daemon never asks for more")
    feedback: Literal["measured", "none"] = Field(description="are wheel speeds measured")
    stopping: Literal["brake", "coast"]
    spin_down_s: Positive = Field(description="from the highest speed to rest, by the slowest way this driver stops")
    exit_sensor: bool
    agitator: bool = False
    simulated: bool = False


class DaemonHello(Message):
    """Daemon to driver: the session that orders must quote from now on, and the machine's limits."""

    kind: Literal["hello"] = "hello"
    session: Annotated[str, Field(min_length=4, max_length=64), AfterValidator(plain)]
    daemon: Text
    limits: Limits = Field(description="of the machine profile; what a player's level allows less, setpoints keep to")
    limits_hash: Annotated[str, Field(pattern="^[0-9a-f]{16}$")]
    watchdog_feed_ms: Positive = WATCHDOG_FEED_S * 1000
    watchdog_stop_ms: Positive = WATCHDOG_STOP_S * 1000
    misfits: Annotated[tuple[Text, ...], Field(max_length=MISFITS_MAX)] | None = Field(
        None, description="all that keeps this driver from driving this machine; None: it fits, or has not said hello"
    )


class WheelTarget(Record):
    """Go to `rpm`, changing by at most `ramp_rpm_per_s`."""

    rpm: float
    ramp_rpm_per_s: Positive


class AngleTarget(Record):
    """Go to `deg`, changing by at most `slew_deg_per_s`."""

    deg: float
    slew_deg_per_s: Positive


class Feed(Record):
    """Push one ball at `at_s`, or not at all. An id is used at most once in a session."""

    id: Count
    at_s: Time


class Setpoint(Message):
    """Daemon to driver, every tick: where the axes are to be at `at_s`, and the feeds that are near. The heartbeat."""

    kind: Literal["setpoint"] = "setpoint"
    session: Text
    epoch: Count
    seq: Count
    at_s: Time
    until_s: Time
    top: WheelTarget
    bottom: WheelTarget
    tilt: AngleTarget | None = None
    pan: AngleTarget | None = None
    roll: AngleTarget | None = None
    feeding: bool = Field(description="False closes the feed the moment it is read; True opens it at `at_s`")
    agitator: bool = False
    feeds: tuple[Feed, ...] = ()


class Order(Message):
    """Daemon to driver: arm, disarm, stop or clear. Idempotent; repeated until status shows the epoch."""

    kind: Literal["arm", "disarm", "stop", "clear"]
    session: Text
    epoch: Count


class Ping(Message):
    """Daemon to driver: what time is it there."""

    kind: Literal["ping"] = "ping"
    n: Count


class Pong(Message):
    """Driver to daemon, at once: the driver's clock when ping `n` was read."""

    kind: Literal["pong"] = "pong"
    n: Count
    now_s: Time


class WheelState(Record):
    """One wheel as the driver knows it. `target_rpm` is the ramped output of this instant."""

    target_rpm: float
    measured_rpm: float | None = None
    limited: bool = False


class AngleState(Record):
    """One angle axis as the driver knows it."""

    target_deg: float
    measured_deg: float | None = None
    limited: bool = False


class FeedResult(Record):
    """What became of one feed: `done` at `at_s`, or `refused` with the reason; both are final.

    `unknown`: the feeder was told to act at `at_s`, and nobody knows yet whether it did.
    """

    id: Count
    result: Literal["done", "refused", "unknown"]
    at_s: Time
    reason: Text | None = None


class Exit(Record):
    """The exit sensor saw ball number `n` (counted from the driver's start) leave at `at_s`."""

    n: Count
    at_s: Time


class DriverFault(Record):
    """A fault of one part: a word for the part, a word or line for what is wrong."""

    part: Text
    what: Text


class MessageRefusal(Record):
    """A message that the driver refused, with its reason; `n` counts them."""

    n: Count
    kind: Text
    reason: Text


class Status(Message):
    """Driver to daemon, every tick and at once on a change."""

    kind: Literal["status"] = "status"
    boot: Text
    now_s: Time
    session: Text | None = None
    limits_hash: Text | None = None
    epoch: Count = 0
    seq: Count | None = Field(None, description="the highest seq accepted in this epoch")
    mode: Literal["disarmed", "armed", "stopping", "tripped"]
    mode_reason: Text | None = None
    feeding: bool = Field(description="is the feeder enabled at this instant")
    agitator: bool = False
    top: WheelState
    bottom: WheelState
    tilt: AngleState | None = None
    pan: AngleState | None = None
    roll: AngleState | None = None
    at_rest: bool | None = Field(None, description="both wheels at rest; None: not known")
    rest_known: Literal["measured", "assumed", "unknown"] = "unknown"
    feeds: Annotated[tuple[FeedResult, ...], Field(max_length=32)] = ()
    exits: Annotated[tuple[Exit, ...], Field(max_length=32)] = ()
    faults: Annotated[tuple[DriverFault, ...], Field(max_length=16)] = ()
    refusals: Annotated[tuple[MessageRefusal, ...], Field(max_length=8)] = ()
    supply_v: float | None = None
    hopper: Literal["ok", "low", "empty"] | None = None
    watchdog_age_ms: Annotated[float, Field(ge=0)] | None = Field(
        None, description="age of the newest accepted setpoint; None before the first"
    )
