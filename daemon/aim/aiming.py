"""Aim: wheel speeds and tilt for the ball a player wants, on every possible arc, or the limit that prevents it.

    aim(thrower, request) -> tuple[Solution, ...]      best first; raises NoSolution

Answers are kept for each thrower and request.
"""

from functools import lru_cache

from drillfeed.daemon.aim.refusal import refusal
from drillfeed.daemon.aim.request import AimRequest, Solution
from drillfeed.daemon.aim.solve import solutions
from drillfeed.daemon.aim.thrower import Thrower


@lru_cache(maxsize=4096)
def ways(thrower: Thrower, request: AimRequest) -> tuple[Solution, ...]:
    """Return every way the machine can throw the ball asked for, best first; empty if there is none."""
    return solutions(thrower, request)


def aim(thrower: Thrower, request: AimRequest) -> tuple[Solution, ...]:
    """Return every way the machine can throw the ball asked for, best first; raise NoSolution.

    Solutions that clear the net by 5 cm come first; within each group, those whose landing a usual error moves least.
    """
    found = ways(thrower, request)
    if not found:
        raise refusal(thrower, request)
    return found
