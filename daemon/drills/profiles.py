"""What a player's level allows: ball speed, tempo, set length, ball types, and when to warn of many balls.

Rule of this file: every figure is a default of ours, in a table, and the owner of a machine changes it in the
configuration. No figure is published or comes from a physician, and none fits every person: a coach beside the table
knows better. Tempo and set length are the upper ends of usual practice at the level (common practice, no source). The
rim speeds are a little above what the shipped balls of the level need.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Annotated, Any, Literal, get_args

from pydantic import Field, model_validator

from drillfeed.daemon.drills.balls import LEVELS, BallType, Level
from drillfeed.daemon.drills.bounds import HARD_MAX_MPS, HARD_MAX_PER_MIN, HARD_MAX_SET_BALLS
from drillfeed.daemon.validation import Table
from drillfeed.protocol.texts.catalogue import text

PlayerLevel = Literal["junior", "club", "advanced"]
PLAYER_LEVELS: tuple[PlayerLevel, ...] = get_args(PlayerLevel)


class Caps(Table):
    """The limits of one level. `locked_balls` tells whether ball types marked `locked` may be thrown."""

    max_mps: Annotated[float, Field(ge=1, le=HARD_MAX_MPS, description="ball speed at launch")]
    max_rim_mps: Annotated[float, Field(ge=1, le=100, description="speed of either wheel at its rim")]
    max_per_min: Annotated[float, Field(ge=5, le=HARD_MAX_PER_MIN, description="balls a minute, between any two")]
    max_set_balls: Annotated[int, Field(ge=1, le=HARD_MAX_SET_BALLS, description="balls in one set")]
    max_ball_level: Level
    locked_balls: bool = False
    warn_share: Annotated[float, Field(gt=0, le=1, description="of the warning limits in balls a day and in seven")]


HOUSE: Mapping[PlayerLevel, Caps] = {
    "junior": Caps(
        max_mps=7.5,
        max_rim_mps=11.0,
        max_per_min=35.0,
        max_set_balls=20,
        max_ball_level="beginner",
        warn_share=0.6,
    ),
    "club": Caps(
        max_mps=9.5,
        max_rim_mps=15.0,
        max_per_min=55.0,
        max_set_balls=40,
        max_ball_level="club",
        warn_share=1.0,
    ),
    "advanced": Caps(
        max_mps=12.0,
        max_rim_mps=20.0,
        max_per_min=75.0,
        max_set_balls=60,
        max_ball_level="advanced",
        warn_share=1.0,
    ),
}


@dataclass(frozen=True)
class Profile:
    """A player's level with its limits."""

    level: PlayerLevel
    caps: Caps

    @property
    def owner(self) -> str:
        """Return the words that name this profile when one of its limits decides."""
        return text("profile.owner", level=self.level)

    @property
    def text(self) -> str:
        """Return all limits in one line."""
        caps = self.caps
        locked = "" if caps.locked_balls else text("profile.no-locked")
        return text(
            "profile.limits",
            level=self.level,
            max_per_min=caps.max_per_min,
            max_set_balls=caps.max_set_balls,
            max_mps=caps.max_mps,
            max_ball_level=caps.max_ball_level,
            locked=locked,
            max_rim_mps=caps.max_rim_mps,
        )

    def objection(self, ball: BallType) -> str | None:
        """Return why this level may not get a ball type on any machine; None if it may."""
        caps = self.caps
        if LEVELS.index(ball.level) > LEVELS.index(caps.max_ball_level):
            return text("profile.ball-level", level=ball.level, max_ball_level=caps.max_ball_level, owner=self.owner)
        if ball.locked and not caps.locked_balls:
            return text("profile.locked", level=self.level)
        if ball.speed_mps > caps.max_mps:
            return text("profile.ball-speed", speed_mps=ball.speed_mps, max_mps=caps.max_mps, owner=self.owner)
        return None


NO_PROFILE = "profile.nobody"
"""Id of the text for the limits while no player is chosen."""


class Profiles(Table):
    """The levels as the owner sets them in `[players.junior]` and so on; a figure left out keeps our default."""

    junior: Caps = HOUSE["junior"]
    club: Caps = HOUSE["club"]
    advanced: Caps = HOUSE["advanced"]

    @model_validator(mode="before")
    @classmethod
    def _over_the_house(cls, data: Any) -> Any:
        if not isinstance(data, dict):
            return data
        given = {level: data[level] for level in PLAYER_LEVELS if isinstance(data.get(level), dict)}
        return {**data, **{level: {**HOUSE[level].model_dump(), **some} for level, some in given.items()}}

    def of(self, level: str) -> Profile:
        """Return the profile of a level; raise KeyError if no level has that name."""
        found: dict[str, Profile] = {name: Profile(name, getattr(self, name)) for name in PLAYER_LEVELS}
        return found[level]


HOUSE_PROFILES = Profiles()
