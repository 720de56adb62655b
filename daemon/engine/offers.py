"""Starts that a coach offers and the player confirms.

Rule of this file: an offer moves nothing, and lapses by itself: with time, with any change of state, with a stop, and
with what is loaded.
"""

from dataclasses import dataclass
from typing import TYPE_CHECKING

from drillfeed.daemon.planning.plan import DrillPlan
from drillfeed.protocol.errors import Refused
from drillfeed.protocol.spec import Caller, Command
from drillfeed.protocol.status import OfferInfo, State

if TYPE_CHECKING:
    from drillfeed.daemon.engine.engine import Engine

OFFER_S = 60.0
OFFERED: dict[State, tuple[str, str]] = {
    "ARMED": ("start", "to start"),
    "RESTING": ("ready", "the next set"),
    "PAUSED": ("resume", "to go on"),
}


@dataclass(frozen=True)
class Offer:
    """What was offered, by whom, until when, and the moment of the machine that it belongs to."""

    number: int
    command: Command
    what: str
    by: str
    until_s: float
    moment: tuple[State, float, int]
    plan: DrillPlan | None


def _moment(engine: "Engine") -> tuple[State, float, int]:
    return engine.state, engine.since_s, engine.stop_count


def offer(engine: "Engine", caller: Caller, now_s: float) -> Offer:
    """Offer what leads on from here in place of any earlier offer; raises Refused where nothing is loaded."""
    if engine.plan is None:
        raise Refused("no-drill", "no drill is loaded", do="ask the player to load one")
    verb, what = OFFERED[engine.state]
    values = {"stop_count": engine.stop_count} if verb == "start" else {}
    number = engine.offer.number + 1 if engine.offer else 1
    engine.offer = Offer(
        number, Command(verb, values), what, caller.name, now_s + OFFER_S, _moment(engine), engine.plan
    )
    text = f"{caller.name} offers {what}; the player may type: confirm {number}"
    engine.tell("offer", text, now_s, "offer", number=number, what=verb, by=caller.name)
    return engine.offer


def live_offer(engine: "Engine", now_s: float) -> Offer | None:
    """Return the offer that can be confirmed now."""
    made = engine.offer
    lapsed = made is None or now_s > made.until_s or made.moment != _moment(engine) or made.plan is not engine.plan
    return None if lapsed else made


def offered(engine: "Engine", number: int, now_s: float) -> Command:
    """Return the command that was offered under this number; raises Refused (no-offer)."""
    live = live_offer(engine, now_s)
    if live is None or live.number != number:
        found = f"offer {live.number}" if live else "none"
        raise Refused("no-offer", f"offer {number} cannot be confirmed", expected="one that stands", found=found)
    return live.command


def offer_info(engine: "Engine", now_s: float) -> OfferInfo | None:
    """Return the offer as `status` tells it."""
    live = live_offer(engine, now_s)
    if live is None:
        return None
    return OfferInfo(number=live.number, what=live.what, by=live.by, left_s=round(live.until_s - now_s, 1))
