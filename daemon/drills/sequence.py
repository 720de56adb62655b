"""What an order yields, ball by ball, and which ball of several is the easiest."""

from collections.abc import Iterable, Mapping
from typing import NamedTuple

from drillfeed.daemon.drills.balls import BallType
from drillfeed.daemon.drills.sides import split


class Drawn(NamedTuple):
    """One ball as drawn; with a wait it leaves that long after the ball before, else at the tempo."""

    mention: str
    wait_s: float = 0.0


class Follow(NamedTuple):
    """One ball that may follow another: after a wait in seconds, or at the tempo where it is 0."""

    before: str
    after: str
    wait_s: float


def easiest(mentions: Iterable[str], balls: Mapping[str, BallType]) -> str:
    """Return the mention of the easiest ball; the one written first where several are alike."""
    return min(mentions, key=lambda mention: balls[split(mention)[0]].ease)
