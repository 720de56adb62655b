"""Who plays: the limits of a player's level, chosen at rest and in force until somebody else is chosen.

Rule of this file: limits change in IDLE alone, and no plan runs that was made for other limits. What is loaded was
planned for another, so it is loaded no more.
"""

from dataclasses import dataclass
from typing import TYPE_CHECKING

from drillfeed.daemon.drills.profiles import NO_PROFILE, Profile
from drillfeed.daemon.planning.plan import DrillPlan
from drillfeed.protocol.commands import check_state_in
from drillfeed.protocol.errors import Refused
from drillfeed.protocol.status import State

if TYPE_CHECKING:
    from drillfeed.daemon.engine.engine import Engine
    from drillfeed.daemon.engine.orders import Given

CHOSEN_IN: frozenset[State] = frozenset({"IDLE"})


@dataclass(frozen=True)
class Plays:
    """Who is chosen, by name, and the limits that come with it."""

    name: str
    profile: Profile


def limits_text(profile: Profile | None) -> str:
    """Return the limits in force in one line."""
    return NO_PROFILE if profile is None else profile.text


def choose(engine: "Engine", given: "Given", now_s: float) -> str:
    """Let somebody play, or nobody in particular: from here on every plan and every setpoint keeps to the limits."""
    check_state_in("players choose", engine.state, CHOSEN_IN)
    plays, loaded = given.plays, engine.plan
    engine.profile = plays.profile if plays is not None else None
    engine.axes.cap_rims(engine.profile.caps.max_rim_mps if engine.profile else None)
    engine.plan = engine.wanted = engine.queued = None
    who = plays.name if plays is not None else "nobody in particular"
    text = f"{who} plays; limits: {limits_text(engine.profile)}"
    engine.tell("log", text, now_s, plays=plays.name if plays else None, level=plays.profile.level if plays else None)
    return f"{text}; {loaded.drill.name} is loaded no more" if loaded is not None else text


def check_profile(engine: "Engine", plan: DrillPlan) -> None:
    """Raise Refused for a plan that was made for other limits than those in force."""
    if plan.player.profile != engine.profile:
        raise Refused("busy", "who plays has changed since this was planned", do="the same line again")
