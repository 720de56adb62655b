"""What a motor board looks like to the adapter: five methods, and the facts that it is started with.

Rule of this file: a board knows nothing of sessions, epochs or clocks of others. It does what it is told
at once, and tells what it sees.
"""

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Literal, Protocol, runtime_checkable

from drillfeed.protocol.link import Axis, Limits

Hopper = Literal["ok", "low", "empty"]
NOTHING: Mapping[str, float] = {}


@dataclass(frozen=True, slots=True)
class Reading:
    """What a board sees at one instant. None stands for what it cannot see; never 0, never the target.

    Speeds are rpm of the wheel, angles degrees. `exits` counts the balls that the exit sensor has seen
    since the board started, `exit_at_s` is the driver's clock at the newest of them (None: the moment of
    reading is near enough). `faults` are pairs of a part and what is wrong with it. `extra` goes into the
    driver's own log and nowhere else.
    """

    top_rpm: float | None = None
    bottom_rpm: float | None = None
    tilt_deg: float | None = None
    pan_deg: float | None = None
    roll_deg: float | None = None
    exits: int | None = None
    exit_at_s: float | None = None
    supply_v: float | None = None
    hopper: Hopper | None = None
    faults: tuple[tuple[str, str], ...] = ()
    extra: Mapping[str, float] = field(default_factory=lambda: NOTHING)


class Board(Protocol):
    """A motor board. The adapter calls `read` first in each tick, so `now` of that call is the time of the others."""

    def set_wheel(self, wheel: Axis, rpm: float) -> None:
        """Turn wheel `top` or `bottom` at `rpm` from now on; the adapter has ramped it already."""

    def set_angle(self, axis: Axis, deg: float) -> None:
        """Hold axis `tilt`, `pan` or `roll` at `deg` from now on; the adapter has ramped it already."""

    def feed_one(self, id: int) -> None:
        """Actuate the feeder once, now."""

    def read(self, now: float) -> Reading:
        """Return what is seen at `now`, seconds on the driver's clock."""

    def cut(self) -> None:
        """Take the power from feeder and agitator at once; leave the wheels alone."""


@runtime_checkable
class Agitated(Protocol):
    """A board with a hopper agitator has this sixth method."""

    def set_agitator(self, on: bool) -> None:
        """Run the agitator, or not."""


@dataclass(frozen=True, slots=True)
class PushAnswer:
    """What became of the push asked for at `asked_s`: done at `at_s`, or not done for a `reason`."""

    id: int
    asked_s: float
    at_s: float
    reason: str | None = None


@runtime_checkable
class Confirming(Protocol):
    """A board that learns only later whether its feeder acted has this method; of any other, asked is done."""

    def push_answers(self) -> tuple[PushAnswer, ...]:
        """Return, each once, what has become known of pushes since the last call."""


@dataclass(frozen=True, slots=True)
class DriverTraits:
    """What a driver declares in its hello, and the wheel diameters (over the tyre) that its own speed band needs."""

    name: str
    limits: Limits
    feedback: Literal["measured", "none"]
    stopping: Literal["brake", "coast"]
    spin_down_s: float
    top_diameter_m: float
    bottom_diameter_m: float
    exit_sensor: bool = False
    agitator: bool = False
    simulated: bool = False


class Note(Protocol):
    """Where the adapter writes its log: the name of an event, the driver's clock, and what belongs to it."""

    def __call__(self, event: str, t: float, /, **what: object) -> None:
        """Keep one event."""


def forget(event: str, t: float, /, **what: object) -> None:
    """Keep nothing: the log of a driver that has none."""
