"""A command as it reaches the engine."""

from dataclasses import dataclass

from drillfeed.daemon.drills.profiles import Profile
from drillfeed.daemon.planning.plan import DrillPlan
from drillfeed.protocol.spec import Caller, Command


@dataclass(frozen=True)
class ChosenPlayer:
    """Who is chosen to play, by name, and the limits that come with it."""

    name: str
    profile: Profile


@dataclass(frozen=True)
class Request:
    """A command, who gave it, and the token that its answer goes to.

    `plan` is what the planner made of it; for a change, `base` is the plan that it was made from. `player` is who was
    chosen to play, None for nobody in particular.
    """

    command: Command
    caller: Caller
    token: int
    plan: DrillPlan | None = None
    base: DrillPlan | None = None
    player: ChosenPlayer | None = None

    def number(self, name: str) -> int:
        """Return an integer argument."""
        return int(self.command.values[name])
