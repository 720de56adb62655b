"""Starts that are offered by the coach and confirmed by the player, on the virtual clock."""

from drillfeed.daemon.engine.offer import OFFER_S
from drillfeed.daemon.engine.snapshot import snapshot
from drillfeed.protocol.spec import Caller
from drillfeed.protocol.status import OfferInfo
from tests.support.halls import WatchedHall, drill_plan

COACH = Caller("coach", "coach 3f2a", "192.0.2.7")


def armed() -> WatchedHall:
    """Return a hall with a drill of two sets loaded, armed."""
    return WatchedHall().armed(drill_plan(sets=(2, 2)))


def shown(watched: WatchedHall) -> OfferInfo | None:
    """Return the offer that status shows."""
    return snapshot(watched.engine.parts, watched.hall.now_s).offer


def test_an_offered_start_waits_for_the_player_and_then_starts_with_the_whole_countdown() -> None:
    """An offer moves nothing; the player's confirm starts the drill as start would."""
    watched = armed()
    hall = watched.hall
    assert hall.say("offer", COACH).ok
    hall.run_for(5.0)
    assert watched.engine.state == "ARMED" and not watched.feeds()
    offer = shown(watched)
    assert offer is not None and (offer.number, offer.what, offer.by) == (1, "to start", "coach 3f2a")
    assert hall.say("confirm 1").text == "wheels are about to turn; first ball in 5.0 s"
    assert watched.engine.state == "SPINUP" and shown(watched) is None
    assert hall.say("confirm 1").code is not None


def test_an_offer_lapses_with_time_with_a_stop_and_with_another_drill() -> None:
    """What was offered at one moment of the machine cannot be confirmed at another."""
    watched = armed()
    hall = watched.hall
    hall.say("offer", COACH)
    hall.run_for(OFFER_S + 0.1)
    assert hall.say("confirm 1").text.startswith("offer 1 cannot be confirmed")
    hall.say("offer", COACH)
    hall.say("load a-drill", plan=drill_plan(sets=(3,)))
    assert not hall.say("confirm 2").ok and shown(watched) is None
    hall.say("offer", COACH)
    hall.say("stop")
    hall.until_state("IDLE")
    assert hall.say("arm").ok
    assert not hall.say("confirm 3").ok
    assert watched.engine.state == "ARMED"


def test_only_the_newest_offer_can_be_confirmed() -> None:
    """A confirm that was meant for an earlier offer is refused and names the one that stands."""
    watched = armed()
    hall = watched.hall
    hall.say("offer", COACH)
    hall.say("offer", COACH)
    refused = hall.say("confirm 1")
    assert not refused.ok and "found offer 2" in refused.text
    assert hall.say("confirm 2").ok


def test_the_next_set_and_going_on_after_a_pause_can_be_offered_too() -> None:
    """In a rest an offer is for the next set, in a pause for going on."""
    watched = armed()
    hall = watched.hall
    hall.say("start 0")
    assert hall.until_state("RESTING")
    assert "the next set" in hall.say("offer", COACH).text
    assert hall.say("confirm 1").ok
    assert hall.until_state("FEEDING")
    hall.say("pause", COACH)
    assert "to go on" in hall.say("offer", COACH).text
    hall.run_for(1.0)
    assert hall.say("confirm 2").ok
    assert hall.until_state("ARMED")
    assert watched.commanded == 4


def test_nothing_is_offered_where_nothing_is_loaded() -> None:
    """An offer without a drill is refused with what to do."""
    watched = WatchedHall().ready()
    watched.ok("arm")
    assert watched.hall.say("offer", COACH).code is not None
    assert shown(watched) is None
