"""What planning needs to know about the player at the table."""

from dataclasses import dataclass

from drillfeed.daemon.drills.balls import BallType, turned_over
from drillfeed.daemon.drills.profiles import Profile
from drillfeed.daemon.drills.sides import ELBOW_CM, FOREHAND_CM, Hand, Side


@dataclass(frozen=True)
class Player:
    """The hand that holds the bat, where the elbow is (in cm towards the forehand), and the limits of the level.

    Without a profile nobody is chosen, and only the drill and the machine set limits.
    """

    hand: Hand = "right"
    elbow_cm: float = ELBOW_CM
    profile: Profile | None = None


RIGHT_HANDED = Player()


def leftward_cm(side: Side, player: Player) -> float:
    """Return where a side lies, in cm to the left of the centre line as the thrower sees it.

    Facing the thrower, a right-handed player has the forehand on the thrower's left.
    """
    towards_forehand = player.elbow_cm if side == "elbow" else FOREHAND_CM[side]
    return towards_forehand if player.hand == "right" else -towards_forehand


def for_player(ball: BallType, player: Player) -> BallType:
    """Return the ball type for this player: as written for a right-handed player, mirrored for a left-handed one."""
    return ball if player.hand == "right" else turned_over(ball)
