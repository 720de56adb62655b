"""Who plays: the limits of a player's level, chosen at rest and in force until somebody else is chosen.

Rule of this file: limits change in IDLE alone, and no plan runs that was made for other limits. What is loaded was
planned for another player, so choosing unloads it.
"""

from drillfeed.daemon.drills.profiles import NO_PROFILE, Profile
from drillfeed.daemon.engine import decision as do
from drillfeed.daemon.engine.decision import Decision, decide
from drillfeed.daemon.engine.events import PlayerChosen
from drillfeed.daemon.engine.parts import Parts
from drillfeed.daemon.engine.request import Request
from drillfeed.daemon.engine.wording import sentence
from drillfeed.protocol.commands import check_state_in
from drillfeed.protocol.status import State
from drillfeed.protocol.texts.catalogue import text

CHOSEN_IN: frozenset[State] = frozenset({"IDLE"})


def limits_text(profile: Profile | None) -> str:
    """Return the limits in force in one line."""
    return text(NO_PROFILE) if profile is None else profile.text


def choose(parts: Parts, request: Request, now_s: float) -> Decision:
    """Let somebody play, or nobody in particular: from here on every plan and every setpoint keeps to the limits."""
    check_state_in("players choose", parts.mode.state, CHOSEN_IN)
    player, loaded = request.player, parts.practice.plan
    profile = player.profile if player is not None else None
    level = profile.level if profile is not None else None
    event = PlayerChosen(now_s, player.name if player else None, level, limits_text(profile))
    unloaded = text("player.unloads", drill=loaded.drill.name) if loaded is not None else ""
    return decide(do.ChoosePlayer(profile), do.Tell(event), answer=sentence(event) + unloaded)
