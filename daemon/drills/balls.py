"""Ball types, read from a TOML collection and named for what reaches the player.

Rule of this file: speed in m/s and spin in rev/s are at launch. Topspin is positive, backspin negative. Sidespin is
positive if the ball bends to the thrower's left, which is a right-handed player's forehand. A ball type is written for
a right-handed player; `turned_over` mirrors it for a left-handed one. A ball type gives either its tilt or where it
lands: the depth past the net, the length by its second bounce, and the arc.
"""

import math
from collections.abc import Mapping
from typing import Annotated, Any, Literal

from pydantic import Field, model_validator

from drillfeed.daemon.drills.bounds import HARD_MAX_MPS, HARD_MAX_REVPS
from drillfeed.daemon.physics.launch import HeadSpin, head_spin
from drillfeed.daemon.validation import FileError, InvalidFile, Table, Words, validate
from drillfeed.protocol.texts.catalogue import text

Length = Literal["short", "half-long", "long"]
Arc = Literal["low", "high", "serve-wise"]
Level = Literal["beginner", "club", "advanced"]
Arrival = Literal["backspin", "no-spin", "topspin"]
ARRIVAL_REVPS: Mapping[Arrival, tuple[float, float]] = {
    "backspin": (-math.inf, -3.0),
    "no-spin": (-4.0, 4.0),
    "topspin": (10.0, math.inf),
}
"""What a ball's spin after the bounce may be, in rev/s, so that it arrives as its type says: defaults of ours."""
SMALL_SPIN_REVPS = 10.0
LEVELS: tuple[Level, ...] = ("beginner", "club", "advanced")
NAME = "^[a-z0-9][a-z0-9-]{0,39}$"
Name = Annotated[str, Field(pattern=NAME)]


class Tolerance(Table):
    """How far a ball may be bent to fit a machine before it is another ball: defaults of ours, no source.

    Spin keeps its kind. A spin of less than 10 rev/s may change by `spin_revps`, any other by `spin_share` of itself.
    The height of a high ball may change by `apex_share` of itself.
    """

    speed_mps: Annotated[float, Field(ge=0, le=5)] = 1.0
    spin_share: Annotated[float, Field(ge=0, le=1)] = 0.30
    spin_revps: Annotated[float, Field(ge=0, le=10)] = 3.0
    depth_cm: Annotated[float, Field(ge=0, le=60)] = 15.0
    apex_share: Annotated[float, Field(ge=0, le=1)] = 0.25

    def spin_reach(self, spin_revps: float) -> float:
        """Return how far a spin may change, in rev/s."""
        return self.spin_revps if abs(spin_revps) < SMALL_SPIN_REVPS else self.spin_share * abs(spin_revps)

    @property
    def text(self) -> str:
        """Return the tolerance in words."""
        return text(
            "ball.tolerance",
            speed_mps=self.speed_mps,
            spin_share=self.spin_share,
            spin_revps=self.spin_revps,
            depth_cm=self.depth_cm,
        )


class BallType(Table):
    """One kind of ball, independent of any machine: an intent, which `planning/fitting.py` fits to a machine.

    `arrives` is the spin that must reach the bat, whatever is bent.
    """

    name: Name
    title: Annotated[Words, Field(max_length=80)]
    speed_mps: Annotated[float, Field(ge=1, le=HARD_MAX_MPS)]
    spin_revps: Annotated[float, Field(ge=-HARD_MAX_REVPS, le=HARD_MAX_REVPS)]
    side_revps: Annotated[
        float,
        Field(
            ge=-HARD_MAX_REVPS,
            le=HARD_MAX_REVPS,
            description="sidespin; positive bends to a right-handed player's forehand",
        ),
    ] = 0.0
    tilt_deg: Annotated[float | None, Field(ge=-60, le=85)] = None
    depth_cm: Annotated[float | None, Field(gt=0, lt=137, description="first touch past the net")] = None
    length: Length | None = None
    arc: Arc = "low"
    level: Level
    locked: bool = False
    arrives: Annotated[Arrival | None, Field(description="the kind of spin that must reach the bat")] = None
    tolerance: Tolerance = Tolerance()

    @model_validator(mode="after")
    def _place(self) -> "BallType":
        if self.tilt_deg is None and self.depth_cm is None and self.length is None:
            raise ValueError(text("ball.tilt-or-landing"))
        if self.tilt_deg is not None and (self.depth_cm is not None or self.length is not None):
            raise ValueError(text("ball.not-both"))
        if math.hypot(self.spin_revps, self.side_revps) > HARD_MAX_REVPS:
            raise ValueError(text("ball.max-spin", max_revps=HARD_MAX_REVPS))
        return self

    @property
    def ease(self) -> tuple[int, float, float]:
        """Return a sorting key: level first, then speed, then amount of spin."""
        return LEVELS.index(self.level), self.speed_mps, math.hypot(self.spin_revps, self.side_revps)

    @property
    def head(self) -> HeadSpin:
        """Return the spin that the wheels give, and the roll of the head that turns part of it into sidespin."""
        return head_spin(self.spin_revps, self.side_revps)

    @property
    def spin_text(self) -> str:
        """Return the spin in rev/s, with the sidespin if there is any: `+30 rev/s, side +25`."""
        return text("ball.topspin", spin_revps=self.spin_revps) + (
            text("ball.side", side_revps=self.side_revps) if self.side_revps else ""
        )


def turned_over(ball: BallType) -> BallType:
    """Return the ball's mirror image: the sidespin is reversed, everything else stays."""
    return ball.model_copy(update={"side_revps": -ball.side_revps}) if ball.side_revps else ball


def without_sidespin(ball: BallType) -> BallType:
    """Return the ball with the same topspin and no sidespin; its title says so."""
    if not ball.side_revps:
        return ball
    return ball.model_copy(update={"side_revps": 0.0, "title": text("ball.without-sidespin", title=ball.title)})


class Collection(Table):
    """A file of ball types. What `tolerance` gives holds for every ball that does not give it itself."""

    tolerance: Tolerance = Tolerance()
    ball: tuple[BallType, ...]

    def with_tolerance(self, ball: BallType) -> BallType:
        """Return a ball of the file with the file's tolerances where it gives none."""
        own = {name: getattr(ball.tolerance, name) for name in ball.tolerance.model_fields_set}
        return ball.model_copy(update={"tolerance": self.tolerance.model_copy(update=own)})


def read_balls(data: Mapping[str, Any], file: str) -> dict[str, BallType]:
    """Return the ball types of one file by name; raise InvalidFile with every mistake, including repeated names."""
    collection = validate(Collection, data, file)
    balls: dict[str, BallType] = {}
    doubles = []
    for ball in collection.ball:
        if ball.name in balls:
            doubles.append(FileError(file, f"ball {ball.name}", text("ball.twice"), text("ball.once")))
        balls[ball.name] = collection.with_tolerance(ball)
    if doubles:
        raise InvalidFile(doubles)
    return balls
