"""What the daemon tells about itself: the snapshot behind `status`, and notices.

Rule of this file: state is never told better than known. A figure that nobody measured, saw or
entered is None, written as blank, and never 0.
"""

from typing import Literal

from pydantic import BaseModel, ConfigDict, Field, model_validator

from drillfeed.protocol.plain import plain_deep

State = Literal[
    "OFFLINE",
    "IDLE",
    "ARMED",
    "SPINUP",
    "FEEDING",
    "RESTING",
    "PAUSED",
    "STOPPING",
    "QUICKSTOP",
    "FAULT",
    "SETUP",
]
Known = Literal["measured", "assumed", "unknown"]
FeedKnown = Literal["reported", "unknown"]


class Frozen(BaseModel):
    """A record that cannot be changed and takes no unknown keys."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    @model_validator(mode="before")
    @classmethod
    def _plain(cls, given: object) -> object:
        """Make every text of it plain: much of it was written by others."""
        return plain_deep(given)


class BallInfo(Frozen):
    """One ball of the running drill, as asked for and as known to have happened."""

    n: int
    ball: str
    side: str | None = Field(None, description="the side it is thrown to, as the player sees it")
    set: int
    leaves_in_s: float | None = None
    speed_mps: float | None = None
    spin_revps: float | None = Field(None, description="topspin; negative is backspin")
    side_revps: float | None = Field(None, description="sidespin, positive where it bends to the thrower's left")
    fitted: str | None = Field(None, description="what was bent to fit the machine; None if the ball is as written")
    tilt_deg: float | None = None
    pan_deg: float | None = None
    top_rpm: float | None = None
    bottom_rpm: float | None = None
    result: str | None = Field(None, description="fed, refused, skipped; None while it is ahead")
    reason: str | None = None


class Counts(Frozen):
    """Three kinds of figure that are never mixed: commanded, seen leaving, made."""

    commanded: int = 0
    refused: int = 0
    skipped: int = 0
    unknown: int = Field(0, description="told to the driver and never answered: nobody knows whether they were fed")
    seen: int | None = Field(None, description="seen leaving by the exit sensor; None where there is none")
    made: int | None = Field(None, description="entered by a person; None until entered")
    marked: int | None = Field(None, description="how many balls `made` is out of; None until entered")


class OfferInfo(Frozen):
    """A start that is offered and waits for the player to confirm it."""

    number: int
    what: str
    by: str
    left_s: float


class WheelInfo(Frozen):
    """One wheel: what was asked at this moment, what was measured."""

    target_rpm: float | None = None
    measured_rpm: float | None = None


class Snapshot(Frozen):
    """Everything `status` can tell, at one instant of the control loop."""

    state: State
    since_s: float = Field(description="how long the state has lasted")
    reason: str | None = Field(None, description="why this state, where there is a why")
    hint: str | None = Field(None, description="what may lie behind a fault")
    next_step: str | None = Field(None, description="the line to type next, or what to do by hand")
    stop_count: int
    feed: Literal["open", "closed"]
    feed_known: FeedKnown = Field("unknown", description="reported: the driver says so, in a fresh status")
    wheels_at_rest: bool | None = None
    wheels_known: Known = "unknown"
    countdown_s: float | None = Field(None, description="to the first ball leaving")
    rest_s: float | None = Field(None, description="what is left of a timed rest")
    rest_waits: bool = Field(False, description="this rest waits for the player's `ready`")
    player: str | None = Field(None, description="who plays, as far as anybody said")
    level: str | None = Field(None, description="whose limits hold: junior, club or advanced; None: nobody is chosen")
    limits: str | None = Field(None, description="the limits of that level, in words")
    drill: str | None = None
    seed: int | None = None
    set: int | None = None
    sets: int | None = None
    set_balls: int | None = None
    set_done: int | None = None
    tempo_asked_per_min: float | None = None
    tempo_per_min: float | None = None
    tempo_reason: str | None = None
    rung: int | None = Field(None, description="0 as written, below it easier, above it harder")
    step: str | None = Field(None, description="what the newest rung changed, in words")
    changes: str | None = Field(None, description="all changes to the drill as written; None where there are none")
    change_waits: str | None = Field(None, description="a change for the end of the set or a pause")
    queued: str | None = Field(None, description="the drill that is next, after the running one")
    last_ball: BallInfo | None = None
    next_ball: BallInfo | None = None
    counts: Counts = Counts()
    offer: OfferInfo | None = Field(None, description="what a coach offers just now; `confirm` takes it up")
    hopper: int | None = Field(None, description="balls believed in the hopper; None until told")
    crank_phase: Literal["known", "unknown", "none"] = "none"
    machine: str
    simulated: bool = False
    calibration: str | None = None
    driver: str | None = None
    driver_boot: str | None = None
    misfits: tuple[str, ...] = Field((), description="all that keeps this driver from driving this machine")
    link: str = Field("down", description="up, down, or what is wrong with it")
    clock_error_ms: float | None = None
    status_age_ms: float | None = None
    late_ticks: int = 0
    worst_late_ms: float | None = None
    top: WheelInfo = WheelInfo()
    bottom: WheelInfo = WheelInfo()
    tilt_deg: float | None = None
    supply_v: float | None = None
    epoch: int = 0
    faults: tuple[str, ...] = ()
    warnings: tuple[str, ...] = ()


class Notice(Frozen):
    """Something happened. `topic` is one word, `text` one line for a person, `fields` for a program."""

    serial: int
    topic: str
    text: str
    cue: str | None = Field(None, description="the sound that goes with it: a word of CUES")
    fields: dict[str, str | int | float | bool | None] = {}


CUES: tuple[str, ...] = (
    "wheels",
    "tick",
    "set-end",
    "drill-end",
    "pause",
    "stop",
    "fault",
    "hopper-low",
    "change",
    "offer",
)
"""The sounds and signs that go with notices; `cue.NAME` in the catalogue says when."""
TOPICS: tuple[str, ...] = (
    "state",
    "ball",
    "exit",
    "set",
    "mark",
    "countdown",
    "hopper",
    "fault",
    "link",
    "change",
    "offer",
    "log",
    # Of one connection, outside the series (serial 0): the answer to the stop byte, and what a slow reader missed.
    "stop",
    "missed",
    "closing",
)
