"""What the engine tells: one frozen class for each kind of event.

Rule of this file: an event is a value and holds figures and names, never a sentence for people; `wording.py` has the
sentences. `at_s` is the daemon's monotonic time. All other fields travel with the notice as JSON under their names, but
those made by `inside()`.
"""

from collections.abc import Mapping
from dataclasses import dataclass, field, fields
from functools import cache
from typing import Any, Literal

from drillfeed.daemon.engine.states import Event as StateEvent
from drillfeed.protocol.spec import Role
from drillfeed.protocol.status import State

Scalar = str | int | float | bool | None


def inside() -> Any:
    """Return a field that wording and journal use, and that notices leave out."""
    return field(metadata={"inside": True})


@dataclass(frozen=True)
class StateChanged:
    """The engine went from one state to another, or met an event that leads back to the same one."""

    at_s: float
    state: State
    before: State
    event: StateEvent
    reason: str | None


@dataclass(frozen=True)
class FaultLatched:
    """The first cause of a fault, with the messages that came before it."""

    at_s: float
    cause: str
    hint: str
    next_step: str
    seen: str
    recent: str = inside()


@dataclass(frozen=True)
class DriverConnected:
    """A motor driver said hello."""

    at_s: float
    boot: str
    driver: str = inside()


@dataclass(frozen=True)
class DriverMisfit:
    """One thing in which the driver does not fit the machine profile."""

    at_s: float
    what: str = inside()


@dataclass(frozen=True)
class DriverContradicts:
    """The driver contradicts itself, or what it was sent."""

    at_s: float
    what: str = inside()


@dataclass(frozen=True)
class ComputerSlept:
    """The computer of the daemon was suspended."""

    at_s: float
    slept_s: float


@dataclass(frozen=True)
class BallSettled:
    """What became of a ball that had its place in the set: fed, refused, skipped or unknown."""

    at_s: float
    n: int
    id: int
    ball: str
    side: str | None
    set: int
    outcome: str | None
    reason: str | None
    planned_leaves_s: float
    late_ms: float | None
    top_rpm: float
    bottom_rpm: float
    tilt_deg: float
    pan_deg: float | None
    roll_deg: float | None
    speed_mps: float
    spin_revps: float
    side_revps: float
    title: str = inside()
    fitted: str | None = None


@dataclass(frozen=True)
class BallLeft:
    """Whether the exit sensor saw a ball leave (1) or did not although it should have (0)."""

    at_s: float
    n: int
    id: int
    seen: Literal[0, 1]


@dataclass(frozen=True)
class DoubleFeed:
    """Two balls left with one push."""

    at_s: float
    pulse: str


@dataclass(frozen=True)
class ExitSensorDistrusted:
    """The exit sensor pulses without a push; balls no longer count as seen."""

    at_s: float
    pulse: str


@dataclass(frozen=True)
class HopperCounted:
    """A person told how many balls are in the hopper."""

    at_s: float
    left: int


@dataclass(frozen=True)
class HopperLow:
    """Few balls are left in the hopper; told once for each count."""

    at_s: float
    left: int


@dataclass(frozen=True)
class CountdownTicked:
    """So many seconds are left before the first ball."""

    at_s: float
    seconds: int


@dataclass(frozen=True)
class DrillLoaded:
    """A drill is loaded."""

    at_s: float
    drill: str
    seed: int
    balls: int


@dataclass(frozen=True)
class SetBegan:
    """A set begins, with all that is known of it by then."""

    at_s: float
    begins: Literal[True]
    set: int
    of_sets: int
    drill: str
    seed: int
    balls: int
    asked_per_min: float
    tempo_per_min: float
    simulated: bool | None
    title: str | None = inside()
    sequence_kind: str | None = inside()
    rung: int | None = inside()
    warm_up: bool | None = inside()
    check_set: bool | None = inside()


@dataclass(frozen=True)
class SetEnded:
    """A set is over, and another follows."""

    at_s: float
    set: int
    commanded: int
    seen: int | None


@dataclass(frozen=True)
class ChangeWaits:
    """A change was taken and waits for the end of the set or for a pause."""

    at_s: float
    change: str
    in_force: Literal[False]
    who: str
    drill: str
    seed: int
    rung: int
    step: str
    tempo_change_per_min: float
    swaps: str
    tempo_per_min: float
    named: str = inside()


@dataclass(frozen=True)
class ChangeInForce:
    """A change holds from ball `n` on; with the seed these figures give the run again."""

    at_s: float
    change: str
    in_force: Literal[True]
    who: str
    drill: str
    seed: int
    rung: int
    step: str
    tempo_change_per_min: float
    swaps: str
    tempo_per_min: float
    n: int
    set: int
    after_balls: int
    named: str = inside()
    moment: Literal["start", "queued", "running"] = inside()


@dataclass(frozen=True)
class DrillQueued:
    """A drill follows the running one."""

    at_s: float
    change: Literal["queue"]
    in_force: Literal[False]
    drill: str
    seed: int
    balls: int
    who: str


@dataclass(frozen=True)
class QueuedDrillLoaded:
    """The run has ended; the drill that was to follow is loaded and waits for a start."""

    at_s: float
    change: Literal["load"]
    in_force: Literal[False]
    drill: str


@dataclass(frozen=True)
class ChangeDropped:
    """The run has ended before a change came into force."""

    at_s: float
    in_force: Literal[False]
    verb: str = inside()


@dataclass(frozen=True)
class StartOffered:
    """A coach offers a start that the player may confirm."""

    at_s: float
    number: int
    what: str
    by: str
    leads_to: str = inside()


@dataclass(frozen=True)
class BallMarked:
    """A person said whether a ball was made."""

    at_s: float
    set: int
    n: int
    made: Literal[0, 1]
    out_of: Literal[1]
    by: Role


@dataclass(frozen=True)
class SetMarked:
    """A person said how many balls of a set were made."""

    at_s: float
    set: int
    made: int
    out_of: int
    by: Role


@dataclass(frozen=True)
class RestNowWaits:
    """A timed rest is over and the next set must not begin; the rest waits for the player."""

    at_s: float
    why: str = inside()


@dataclass(frozen=True)
class TiltDrifts:
    """A tilt by time has moved so often that it may be off by more than the profile allows."""

    at_s: float
    moves: int
    error_deg: float


@dataclass(frozen=True)
class CautionsAccepted:
    """Somebody acknowledged the cautions of this machine."""

    at_s: float
    cautions: Literal["accepted"]
    by: str = inside()


@dataclass(frozen=True)
class PlayerChosen:
    """From now on this player plays, or nobody in particular."""

    at_s: float
    plays: str | None
    level: str | None
    limits: str = inside()


@dataclass(frozen=True)
class WheelTurns:
    """A wheel turns that nobody drives, while the thrower is idle."""

    at_s: float
    next_step: str
    what: str = inside()


@dataclass(frozen=True)
class SetupReleased:
    """The hand went off in set-up; the wheels run down."""

    at_s: float
    setup: Literal["let-go"]


@dataclass(frozen=True)
class SetupBallSettled:
    """What became of the one ball of a hold."""

    at_s: float
    setup: str
    id: int
    reason: str | None = inside()


Event = (
    StateChanged
    | FaultLatched
    | DriverConnected
    | DriverMisfit
    | DriverContradicts
    | ComputerSlept
    | BallSettled
    | BallLeft
    | DoubleFeed
    | ExitSensorDistrusted
    | HopperCounted
    | HopperLow
    | CountdownTicked
    | DrillLoaded
    | SetBegan
    | SetEnded
    | ChangeWaits
    | ChangeInForce
    | DrillQueued
    | QueuedDrillLoaded
    | ChangeDropped
    | StartOffered
    | BallMarked
    | SetMarked
    | RestNowWaits
    | TiltDrifts
    | CautionsAccepted
    | PlayerChosen
    | WheelTurns
    | SetupReleased
    | SetupBallSettled
)


@cache
def told_fields(kind: type) -> tuple[str, ...]:
    """Return the names of the fields that travel with the notice of a kind of event."""
    return tuple(part.name for part in fields(kind) if part.name != "at_s" and not part.metadata.get("inside"))


def figures(event: Event) -> Mapping[str, Scalar]:
    """Return what travels with the notice of an event, by name."""
    kind: type = type(event)
    return {name: getattr(event, name) for name in told_fields(kind)}
