"""What a command, a hazard or a rule of progress decides: actions in the order in which they must happen.

Rule of this file: a decision is a value, and `apply.py` alone carries it out.
"""

from dataclasses import dataclass

from drillfeed.daemon.drills.profiles import Profile
from drillfeed.daemon.engine.driver import OrderKind
from drillfeed.daemon.engine.events import Event
from drillfeed.daemon.engine.fault import Fault
from drillfeed.daemon.engine.offer import Offer
from drillfeed.daemon.engine.practice import WaitingChange
from drillfeed.daemon.engine.states import Event as StateEvent
from drillfeed.daemon.planning.plan import DrillPlan
from drillfeed.protocol.errors import Refused
from drillfeed.protocol.link import Axis, Status
from drillfeed.protocol.spec import Role


@dataclass(frozen=True)
class Follow:
    """Follow the state table."""

    event: StateEvent
    reason: str | None = None


@dataclass(frozen=True)
class Tell:
    """Let watchers and the journal know."""

    event: Event


@dataclass(frozen=True)
class Stop:
    """Feeder and agitator off, wheels down at the quick rate; `by` names who asked, from where."""

    by: str


@dataclass(frozen=True)
class Latch:
    """Latch a fault and come to rest: feed first, wheels second."""

    fault: Fault


@dataclass(frozen=True)
class Order:
    """Begin a new epoch with an order to the driver."""

    kind: OrderKind


@dataclass(frozen=True)
class AskDriver:
    """Pass a command on to the driver and let its answer wait; `seed` is what an arm seeds the limiter from."""

    token: int
    verb: OrderKind
    seed: Status | None = None


@dataclass(frozen=True)
class AnswerPending:
    """The driver did it: answer the command that waited."""

    answer: str


@dataclass(frozen=True)
class RefusePending:
    """The command that waited is refused."""

    refused: Refused


@dataclass(frozen=True)
class Disarm:
    """Wheels down, then disarm the driver."""

    reason: str


@dataclass(frozen=True)
class ComeToRest:
    """The wheels stand after a stop or at the end of a drill."""

    event: StateEvent


@dataclass(frozen=True)
class Clear:
    """The driver has cleared: forget the fault."""


@dataclass(frozen=True)
class Load:
    """Load a plan."""

    plan: DrillPlan


@dataclass(frozen=True)
class BeginRun:
    """Begin a run of a plan and its first set."""

    plan: DrillPlan


@dataclass(frozen=True)
class BeginSet:
    """Begin the set to come, or go on with the one that was paused; `event` says which."""

    event: StateEvent
    delay_s: float
    cue_s: float


@dataclass(frozen=True)
class BeginQueued:
    """Begin the queued drill, if the one before it is over."""


@dataclass(frozen=True)
class NextSet:
    """Go to the next set of the run; what waited for the end of a set comes into force."""


@dataclass(frozen=True)
class Rest:
    """Rest for so long; None waits for the player."""

    rest_s: float | None


@dataclass(frozen=True)
class Pause:
    """Close the feed and hold the wheels."""

    reason: str


@dataclass(frozen=True)
class EndSet:
    """The set is over: rest before the next, or end the drill."""


@dataclass(frozen=True)
class EndDrill:
    """The drill is over: feed closed, wheels down, ready for another start."""

    reason: str


@dataclass(frozen=True)
class CutSet:
    """End the set after the balls that the driver was told."""


@dataclass(frozen=True)
class SettleOpenFeeds:
    """After a pause: put back what did not go."""


@dataclass(frozen=True)
class TakeWaiting:
    """Put the change that waits into force."""


@dataclass(frozen=True)
class WaitChange:
    """Let a change wait for its moment."""

    change: WaitingChange


@dataclass(frozen=True)
class QueueDrill:
    """Let a drill follow the running one."""

    drill: WaitingChange


@dataclass(frozen=True)
class ChoosePlayer:
    """Take the limits of another player, or of nobody in particular."""

    profile: Profile | None


@dataclass(frozen=True)
class MakeOffer:
    """Put an offer in place."""

    offer: Offer


@dataclass(frozen=True)
class MarkBall:
    """Mark ball `n` as made or missed."""

    n: int
    made: bool
    by: Role


@dataclass(frozen=True)
class MarkSet:
    """Mark a set: so many made, of so many."""

    number: int
    made: int
    out_of: int
    by: Role


@dataclass(frozen=True)
class AcceptCautions:
    """The cautions were acknowledged."""

    by: str


@dataclass(frozen=True)
class CountHopper:
    """Take the count of balls in the hopper."""

    balls: int


@dataclass(frozen=True)
class CrankAtMark:
    """The crank stands at its mark."""


@dataclass(frozen=True)
class NoteArrival:
    """Whether the axes stand at the first ball's setting."""

    stand: bool


@dataclass(frozen=True)
class NoteTurning:
    """Whether it is told that a wheel turns that nobody drives."""

    turning: bool


@dataclass(frozen=True)
class ShiftFirstBall:
    """Move the first ball later: the axes have not arrived."""

    by_s: float


@dataclass(frozen=True)
class TellSecond:
    """Tell a second of the countdown."""

    seconds: int


@dataclass(frozen=True)
class ForgetMisses:
    """Count misses in a row anew."""


@dataclass(frozen=True)
class ForgetExitTrouble:
    """Count what the exit sensor misses or sees twice anew."""


@dataclass(frozen=True)
class PlanNextBall:
    """Give the next ball its place in time, if it is time for it."""


@dataclass(frozen=True)
class EndRest:
    """The timed rest is over; the set that follows may not begin, so the rest waits."""


@dataclass(frozen=True)
class EndHold:
    """The wheels have been held long enough in a pause: run them down."""


@dataclass(frozen=True)
class BeginSetup:
    """Begin set-up: nothing turns."""

    reason: str


@dataclass(frozen=True)
class TakeToken:
    """Take a fresh token of the hand."""

    token: int


@dataclass(frozen=True)
class AskAxis:
    """Turn an axis while it is held."""

    axis: Axis
    target: float


@dataclass(frozen=True)
class AskBall:
    """Throw one ball at `at_s` if it is held until then; the feed stays open for it until `open_until_s`."""

    at_s: float
    open_until_s: float
    may_leave_until_s: float


@dataclass(frozen=True)
class Release:
    """Take the hand off at once."""


@dataclass(frozen=True)
class LapseHold:
    """The hand went off: forget what was asked for."""


@dataclass(frozen=True)
class SettlePush:
    """What became of the ball of a hold: `done` or why not."""

    id: int
    result: str
    reason: str | None


Action = (
    Follow
    | Tell
    | Stop
    | Latch
    | Order
    | AskDriver
    | AnswerPending
    | RefusePending
    | Disarm
    | ComeToRest
    | Clear
    | Load
    | BeginRun
    | BeginSet
    | BeginQueued
    | NextSet
    | Rest
    | Pause
    | EndSet
    | EndDrill
    | CutSet
    | SettleOpenFeeds
    | TakeWaiting
    | WaitChange
    | QueueDrill
    | ChoosePlayer
    | MakeOffer
    | MarkBall
    | MarkSet
    | AcceptCautions
    | CountHopper
    | CrankAtMark
    | NoteArrival
    | NoteTurning
    | ShiftFirstBall
    | TellSecond
    | ForgetMisses
    | ForgetExitTrouble
    | PlanNextBall
    | EndRest
    | EndHold
    | BeginSetup
    | TakeToken
    | AskAxis
    | AskBall
    | Release
    | LapseHold
    | SettlePush
)


@dataclass(frozen=True)
class Decision:
    """What is to be done. `answer` is what a command answers; None if the driver must answer first.

    An empty answer is filled with what the last action has to say, such as when the first ball comes.
    """

    actions: tuple[Action, ...] = ()
    answer: str | None = ""


def decide(*actions: Action, answer: str | None = "") -> Decision:
    """Return a decision of these actions."""
    return Decision(actions, answer)
