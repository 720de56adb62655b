"""A start that a coach offers and the player confirms."""

from dataclasses import dataclass

from drillfeed.daemon.planning.plan import DrillPlan
from drillfeed.protocol.spec import Command
from drillfeed.protocol.status import State

OFFER_S = 60.0
OFFERED: dict[State, tuple[str, str]] = {
    "ARMED": ("start", "offer.to-start"),
    "RESTING": ("ready", "offer.next-set"),
    "PAUSED": ("resume", "offer.go-on"),
}

Moment = tuple[State, float, int]
"""State, since when, stop count: an offer belongs to one moment and lapses with it."""


@dataclass(frozen=True)
class Offer:
    """What was offered, by whom, until when, and the moment and plan that it belongs to."""

    number: int
    command: Command
    leads_to: str
    by: str
    until_s: float
    moment: Moment
    plan: DrillPlan | None
