"""Balls of which nobody knows yet whether they went: what the driver says of them later still counts.

Rule of this file: they outlast the set, the run and the drill that they belong to, so that a confirmation that comes
late is a result and not a loss. A feed id is used once a session, so no later ball is taken for one of them.
"""

from dataclasses import dataclass, field

from drillfeed.daemon.engine.run import DrillRun
from drillfeed.daemon.engine.schedule import SetRun, Slot
from drillfeed.protocol.link import FeedResult

MAX_KEPT = 64


@dataclass
class Unconfirmed:
    """The newest balls that were settled as unknown, by feed id, with the run and the set that they belong to."""

    _balls: dict[int, tuple[DrillRun, SetRun, Slot]] = field(default_factory=dict)

    def put(self, run: DrillRun, slot: Slot) -> None:
        """Keep a ball of a run's present set."""
        self._balls[slot.id] = (run, run.set_run, slot)
        if len(self._balls) > MAX_KEPT:
            del self._balls[min(self._balls)]

    def take(self, result: FeedResult, fed_s: float) -> tuple[DrillRun, Slot] | None:
        """Settle a ball by what the driver says of it at last; None where this is no word about one of them."""
        if result.result == "unknown" or result.id not in self._balls:
            return None
        run, set_run, slot = self._balls.pop(result.id)
        set_run.revise(slot, result, fed_s)
        return run, slot
