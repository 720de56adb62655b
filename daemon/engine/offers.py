"""Starts that a coach offers and the player confirms.

Rule of this file: an offer moves nothing, and lapses by itself: with time, with any change of state, with a stop, and
when something else is loaded.
"""

from drillfeed.daemon.engine.offer import OFFER_S, OFFERED, Moment, Offer
from drillfeed.daemon.engine.parts import Parts
from drillfeed.protocol.errors import refuse
from drillfeed.protocol.spec import Caller, Command
from drillfeed.protocol.status import OfferInfo
from drillfeed.protocol.texts.catalogue import text


def _moment(parts: Parts) -> Moment:
    return parts.mode.state, parts.mode.since_s, parts.mode.stop_count


def offer(parts: Parts, caller: Caller, now_s: float) -> tuple[Offer, str]:
    """Return an offer of what leads on from here, and what is answered; raise Refused if nothing is loaded."""
    practice = parts.practice
    if practice.plan is None:
        raise refuse("offer.no-drill")
    verb, offered = OFFERED[parts.mode.state]
    leads_to = text(offered)
    values = {"stop_count": parts.mode.stop_count} if verb == "start" else {}
    number = practice.offer.number + 1 if practice.offer else 1
    until_s = now_s + OFFER_S
    made = Offer(number, Command(verb, values), leads_to, caller.name, until_s, _moment(parts), practice.plan)
    return made, text("offer.done", leads_to=leads_to, for_s=OFFER_S)


def live_offer(parts: Parts, now_s: float) -> Offer | None:
    """Return the offer that can be confirmed now."""
    made = parts.practice.offer
    if made is None or now_s > made.until_s or made.moment != _moment(parts) or made.plan is not parts.practice.plan:
        return None
    return made


def offered(parts: Parts, number: int, now_s: float) -> Command:
    """Return the command that was offered under this number; raise Refused (no-offer)."""
    live = live_offer(parts, now_s)
    if live is None or live.number != number:
        found = text("offer.number", number=live.number) if live else text("offer.none")
        raise refuse("offer.unknown", number=number, found=found)
    return live.command


def offer_info(parts: Parts, now_s: float) -> OfferInfo | None:
    """Return the offer as `status` tells it."""
    live = live_offer(parts, now_s)
    if live is None:
        return None
    return OfferInfo(number=live.number, what=live.leads_to, by=live.by, left_s=round(live.until_s - now_s, 1))
