"""Sides of the table as a player sees them, and how a drill mentions a ball with its side.

Rule of this file: a drill says forehand or backhand, never left or right. `players.py` turns a side into left or right.
"""

import re
from typing import Annotated, Literal, get_args

from pydantic import AfterValidator, Field

from drillfeed.protocol.texts.catalogue import text

Hand = Literal["right", "left"]
Side = Literal["wide-forehand", "forehand", "middle", "elbow", "backhand", "wide-backhand"]
SIDES: tuple[Side, ...] = get_args(Side)
MENTION = rf"^[a-z0-9][a-z0-9-]{{0,39}}( to ({'|'.join(SIDES)}))?$"

# Where the ball lands, measured from the centre line towards the forehand: defaults of ours.
FOREHAND_CM: dict[Side, float] = {
    "wide-forehand": 62.0,
    "forehand": 40.0,
    "middle": 0.0,
    "backhand": -40.0,
    "wide-backhand": -62.0,
}
ELBOW_CM = 12.0
MAX_ELBOW_CM = 60.0


def split(mention: str) -> tuple[str, Side | None]:
    """Return the ball type and the side of a mention, `rally-topspin to forehand`."""
    ball, _, written = mention.partition(" to ")
    return ball, next((side for side in SIDES if side == written), None)


def swapped(mention: str, old: str, new: str) -> str:
    """Return the mention with `new` in place of `old`; an `old` without a side matches every side and keeps it."""
    if mention == old:
        return new
    ball, side = split(mention)
    return f"{new} to {side}" if ball == old and side is not None and split(new)[1] is None else mention


def as_mention(written: str) -> str:
    """Return what is written if it is a ball, or a ball to a side; raise ValueError if it is neither."""
    if re.fullmatch(MENTION, written) is None:
        raise ValueError(text("side.ball-to-side", sides=", ".join(SIDES)))
    return written


Mention = Annotated[str, AfterValidator(as_mention), Field(json_schema_extra={"pattern": MENTION})]
