"""How often a tilt by time moves: each move is off by its own, and what they sum up to is told.

Rule of this file: pure. What moves less than the tilt can show is no move.
"""

from collections.abc import Sequence
from itertools import pairwise

from drillfeed.daemon.machine import Machine
from drillfeed.daemon.planning.plan import PlannedBall, SetPlan
from drillfeed.protocol.texts.catalogue import text

SAME_DEG = 0.05


def moves(from_deg: float, to_deg: float) -> int:
    """Return 1 if the tilt moves between two angles, else 0."""
    return int(abs(to_deg - from_deg) > SAME_DEG)


def tilt_moves(balls: Sequence[PlannedBall]) -> int:
    """Return how often the tilt moves in a set, with the way to its first ball."""
    angles = [ball.setting.tilt_deg for ball in balls]
    return 1 + sum(moves(before, after) for before, after in pairwise(angles))


def drift_text(machine: Machine, plan: SetPlan) -> str | None:
    """Say how far a tilt by time may be off at the end of a set, if that is more than the profile allows."""
    tilt, count = machine.tilt, tilt_moves(plan.balls)
    if tilt.max_moves is None or count <= tilt.max_moves:
        return None
    return text("tilt.drift", moves=count, off_deg=tilt.drift_after_deg(count))
