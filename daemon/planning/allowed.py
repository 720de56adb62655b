"""The limits of drill, player, machine and hard bounds together: the lowest one counts, and its owner is named.

Rule of this file: it never raises a limit. A set with a tempo above the player's slows down evenly, and a set that is
too long is cut; both are reported. A ball type above a limit is refused, with the reason and the nearest one allowed.
"""

import math
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Literal

from drillfeed.daemon.aim.thrower import rim_limits, rims_to_tell, thrower_of
from drillfeed.daemon.drills.balls import BallType
from drillfeed.daemon.drills.bounds import HARD_MAX_MPS, HARD_MAX_PER_MIN, HARD_MAX_SET_BALLS
from drillfeed.daemon.drills.drill import Drill
from drillfeed.daemon.drills.profiles import PLAYER_LEVELS, Profile
from drillfeed.daemon.machine import Machine
from drillfeed.daemon.planning.fitting import Fitted, fitted
from drillfeed.daemon.planning.rims import shares
from drillfeed.daemon.planning.setting import NotPossible
from drillfeed.protocol.texts.catalogue import text

Owner = Literal["drill", "player", "machine", "hard"]
SLACK = 1e-9
MPS_AS_FAR_AS_REVPS = 10.0
"""In the search for the nearest ball, one m/s counts as much as ten rev/s. A default of ours."""
ANOTHER_BALL = "step.another-ball"
ANOTHER_LEVEL = "step.another-level"


@dataclass(frozen=True)
class Bound:
    """The highest value allowed, and who sets that limit."""

    highest: float
    by: Owner


def lowest(drill: float, player: float | None, machine: float | None, hard: float | None = None) -> Bound:
    """Return the lowest limit and its owner; None means no limit.

    Of equal limits the first is named: if the drill asks for no more than the others allow, the drill decides.
    """
    known: tuple[tuple[Owner, float | None], ...] = (
        ("drill", drill), ("player", player), ("machine", machine), ("hard", hard)
    )  # fmt: skip
    limits = [(by, limit) for by, limit in known if limit is not None]
    lowest_limit = min(limit for _, limit in limits)
    return Bound(lowest_limit, next(by for by, limit in limits if limit <= lowest_limit + SLACK))


def tempo_bound(asked_per_min: float, machine_per_min: float | None, profile: Profile | None, vary: float) -> Bound:
    """Return the tempo of a set in balls a minute, so that its shortest interval still keeps the player's limit.

    `machine_per_min` is the tempo that the machine can keep in this set. `vary` is the share by which the time between
    balls varies.
    """
    player = None if profile is None else profile.caps.max_per_min * (1 - vary)
    return lowest(asked_per_min, player, machine_per_min, HARD_MAX_PER_MIN)


def min_interval_s(profile: Profile | None) -> float:
    """Return the shortest time between any two balls for a player, in seconds; 0 if no player is chosen."""
    return 0.0 if profile is None else 60 / profile.caps.max_per_min


def objection(ball: BallType, machine: Machine, profile: Profile | None) -> str | None:
    """Return why a player may not get a ball type from this machine.

    None if the player may, and also if it is the machine that can't throw the ball.
    """
    if profile is None:
        return None
    of_speed, _ = shares(machine)
    machine_rim_mps, caps = rim_limits(machine).max_mps, profile.caps
    speed = lowest(ball.speed_mps, caps.max_mps, machine_rim_mps * of_speed, HARD_MAX_MPS)
    why = profile.objection(ball)
    if why is not None and (ball.speed_mps <= caps.max_mps or speed.by == "player"):
        return why
    rims = rims_to_tell(thrower_of(machine), ball.speed_mps, ball.head.revps)
    fastest_mps = max(abs(rims.top_mps), abs(rims.bottom_mps))
    if lowest(fastest_mps, caps.max_rim_mps, machine_rim_mps).by == "player":
        return text("limit.rim", fastest_mps=fastest_mps, max_rim_mps=caps.max_rim_mps, owner=profile.owner)
    return None


def next_step(profile: Profile, ball: BallType | None = None) -> str:
    """Return what to do when a limit of a player refuses `ball`, or, if `ball` is None, a tempo or a length.

    The text suggests another level if there is a higher one, but not for a locked ball, since every level locks it.
    """
    locked = ball is not None and ball.locked and not profile.caps.locked_balls
    ways = [] if ball is None else [text(ANOTHER_BALL)]
    ways += [text(ANOTHER_LEVEL)] if profile.level != PLAYER_LEVELS[-1] and not locked else []
    if len(ways) == 2:
        return text("step.either", first=ways[0], second=ways[1])
    return ways[0] if ways else text("limit.go-on", level=profile.level)


def allowed_fit(ball: BallType, machine: Machine, profile: Profile | None, balls: Mapping[str, BallType]) -> Fitted:
    """Return a ball type fitted to a machine; raise NotPossible if machine or player don't allow it."""
    try:
        found = fitted(ball, machine)
    except NotPossible:
        check_ball(ball, machine, profile, balls)
        raise
    check_ball(found.ball, machine, profile, balls)
    return found


def check_ball(ball: BallType, machine: Machine, profile: Profile | None, balls: Mapping[str, BallType]) -> None:
    """Raise NotPossible if a player may not get a ball type, with the reason and the nearest one allowed."""
    why = objection(ball, machine, profile)
    if why is not None and profile is not None:
        near = next(_allowed_nearest_first(ball, machine, profile, balls), None)
        way = text("limit.nearest", near=near) if near else text("limit.none-allowed")
        raise NotPossible(f"{why}; {way}", next_step(profile, ball))


def _allowed_nearest_first(
    ball: BallType, machine: Machine, profile: Profile | None, balls: Mapping[str, BallType]
) -> Iterator[str]:
    def how_far(other: BallType) -> tuple[bool, float, str]:
        spin = math.hypot(other.spin_revps - ball.spin_revps, other.side_revps - ball.side_revps)
        speed = abs(other.speed_mps - ball.speed_mps)
        return other.arc != ball.arc, spin + MPS_AS_FAR_AS_REVPS * speed, other.name

    for other in sorted(balls.values(), key=how_far):
        if objection(other, machine, profile) is None and _may_throw(other, machine, profile):
            yield other.name


def _may_throw(ball: BallType, machine: Machine, profile: Profile | None) -> bool:
    try:
        return objection(fitted(ball, machine).ball, machine, profile) is None
    except NotPossible:
        return False


def cut_to_length(drill: Drill, profile: Profile | None) -> tuple[Drill, tuple[str, ...]]:
    """Return the drill with its sets cut to the player's limit, and a note for each set that was cut."""
    if profile is None:
        return drill, ()
    sets, notes = [], []
    for number, part in enumerate(drill.set, 1):
        bound = lowest(part.balls, profile.caps.max_set_balls, None, HARD_MAX_SET_BALLS)
        if bound.by == "player":
            notes.append(
                text("limit.length", number=number, balls=part.balls, max_balls=bound.highest, owner=profile.owner)
            )
            part = part.model_copy(update={"balls": int(bound.highest)})
        sets.append(part)
    return (drill.model_copy(update={"set": tuple(sets)}), tuple(notes)) if notes else (drill, ())


def notes_on_waits(drill: Drill, balls: Mapping[str, BallType], profile: Profile | None) -> Iterator[str]:
    """Yield a note for each set with a wait or a pause shorter than the player's shortest interval."""
    if profile is None:
        return
    min_s = min_interval_s(profile)
    for number, part in enumerate(drill.set, 1):
        waits_s = {wait_s for *_, wait_s in part.sequence.follows(part.balls, balls) if wait_s}
        waits_s |= {part.bursts.pause_s} if part.bursts else set()
        if min(waits_s, default=min_s) < min_s:
            yield text("limit.waits", number=number, min_s=min_s, owner=profile.owner)
