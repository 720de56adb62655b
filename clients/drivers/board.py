"""The interface of a motor board: five methods, and the facts that a driver declares of it.

Rule of this file: a board knows nothing of sessions, epochs or other clocks. It does at once what it is
told, and reports what it sees.
"""

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Literal, Protocol, runtime_checkable

from drillfeed.protocol.link import Axis, Limits

Hopper = Literal["ok", "low", "empty"]
NOTHING: Mapping[str, float] = {}


@dataclass(frozen=True, slots=True)
class Reading:
    """What a board sees at one instant. A value that it can't see is None, never 0 and never the target.

    Speeds are rpm of the wheel, angles degrees. `exits` counts the balls that the exit sensor has seen
    since the board started. `exit_at_s` is the driver's clock at the newest of them (None: the time of the
    reading is close enough). `faults` are pairs: a part, and what is wrong with it. `extra` goes only into
    the driver's own log.
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
    """A motor board. The adapter calls `read` first in each tick, so its `now` is the time of the other calls too."""

    def set_wheel(self, wheel: Axis, rpm: float) -> None:
        """Turn wheel `top` or `bottom` at `rpm` from now on; the value is ramped already."""

    def set_angle(self, axis: Axis, deg: float) -> None:
        """Hold axis `tilt`, `pan` or `roll` at `deg` from now on; the value is ramped already."""

    def feed_one(self, id: int) -> None:
        """Actuate the feeder once, now."""

    def read(self, now: float) -> Reading:
        """Return what is seen at `now`, seconds on the driver's clock."""

    def cut(self) -> None:
        """Cut the power of feeder and agitator at once; leave the wheels as they are."""


@runtime_checkable
class Agitated(Protocol):
    """A board with a hopper agitator has this sixth method."""

    def set_agitator(self, on: bool) -> None:
        """Switch the agitator on or off."""


@dataclass(frozen=True, slots=True)
class PushAnswer:
    """The result of the push asked for at `asked_s`: done at `at_s`, or not done for a `reason`."""

    id: int
    asked_s: float
    at_s: float
    reason: str | None = None


@runtime_checkable
class Confirming(Protocol):
    """A board that learns only later whether its feeder acted has this method. Else a push counts as done at once."""

    def push_answers(self) -> tuple[PushAnswer, ...]:
        """Return the results of pushes that became known since the last call, each once."""


@dataclass(frozen=True, slots=True)
class DriverTraits:
    """What a driver declares in its hello, and the wheel diameters (over the tyre) for its own speed band.

    With `tilt_by_time` an actuator moves the tilt by time and nobody knows where it stands at the start: the output
    begins at the upper end, so that the way down to the lower stop is long enough from anywhere.
    """

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
    tilt_by_time: bool = False


class Note(Protocol):
    """Where the adapter writes its log: the name of an event, the driver's clock, and the event's fields."""

    def __call__(self, event: str, t: float, /, **what: object) -> None:
        """Keep one event."""


def forget(event: str, t: float, /, **what: object) -> None:
    """Keep nothing; for a driver without a log."""
