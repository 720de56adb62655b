"""Sides of the table as a player sees them, and what they become for the other hand.

Rule of this file: a drill says forehand or backhand, never left or right. Left and right are the thrower's, left
positive, as for pan. Mirroring turns pan and sidespin over and touches nothing else.
"""

import re
from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal, get_args

from drillfeed.daemon.drills.balls import BallType, turned_over

if TYPE_CHECKING:
    from drillfeed.daemon.drills.profiles import Profile

Hand = Literal["right", "left"]
HANDS: tuple[Hand, ...] = get_args(Hand)
Side = Literal["wide-forehand", "forehand", "middle", "elbow", "backhand", "wide-backhand"]
SIDES: tuple[Side, ...] = get_args(Side)
MENTION = rf"^[a-z0-9][a-z0-9-]{{0,39}}( to ({'|'.join(SIDES)}))?$"

# Towards the forehand, from the centre line, where the ball lands: defaults of ours.
FOREHAND_CM: dict[Side, float] = {
    "wide-forehand": 62.0,
    "forehand": 40.0,
    "middle": 0.0,
    "backhand": -40.0,
    "wide-backhand": -62.0,
}
ELBOW_CM = 12.0
MOST_ELBOW_CM = 60.0


@dataclass(frozen=True)
class Player:
    """Who stands at the table: the hand that holds the bat, where the elbow is, in cm towards the forehand, the limits.

    Without a profile nobody is chosen, and drill and machine alone set limits.
    """

    hand: Hand = "right"
    elbow_cm: float = ELBOW_CM
    profile: "Profile | None" = None


RIGHT_HANDED = Player()


def split(mention: str) -> tuple[str, Side | None]:
    """Return the ball type and the side of a mention, `rally-topspin to forehand`."""
    ball, _, side = mention.partition(" to ")
    return ball, next((one for one in SIDES if one == side), None)


def swapped(mention: str, old: str, new: str) -> str:
    """Return the mention with `new` in the place of `old`; a bare `old` means it on every side, and keeps the side."""
    if mention == old:
        return new
    ball, side = split(mention)
    return f"{new} to {side}" if ball == old and side is not None and split(new)[1] is None else mention


def leftward_cm(side: Side, player: Player) -> float:
    """Return where a side lies, in cm to the left of the centre line as the thrower sees it.

    Facing the thrower, a right-handed player has the forehand on the thrower's left.
    """
    towards_forehand = player.elbow_cm if side == "elbow" else FOREHAND_CM[side]
    return towards_forehand if player.hand == "right" else -towards_forehand


def for_player(ball: BallType, player: Player) -> BallType:
    """Return the ball type as it is thrown to a player: written for the right hand, turned over for the left."""
    return ball if player.hand == "right" else turned_over(ball)


def as_mention(text: str) -> str:
    """Return a text that is written as a ball or a ball to a side; raise ValueError where it isn't."""
    if re.fullmatch(MENTION, text) is None:
        raise ValueError(f"a ball type, or BALL to SIDE with a side of {', '.join(SIDES)}")
    return text
