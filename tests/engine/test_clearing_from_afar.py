"""Who may clear which fault: what calls for a look at the machine is cleared beside it."""

import pytest

from drillfeed.daemon.engine.fault import AT_THE_MACHINE, Fault
from drillfeed.daemon.engine.hazards import HAZARDS
from drillfeed.protocol.spec import Caller
from tests.support.halls import WatchedHall

AFAR = Caller("player", "player 3f2a", "192.0.2.7, passed on")
HERE = Caller("player", "127.0.0.1", "127.0.0.1 port 50001", here=True)
OWNER = Caller("owner", "uid 1000", "unix socket", here=True)


def in_fault(cause: str) -> WatchedHall:
    """Return a hall at rest in a fault of this cause, that does not last."""
    watched = WatchedHall().armed()
    watched.engine.latch(Fault(cause, "seen", watched.hall.now_s, "hint", "clear"), watched.hall.now_s)
    assert watched.hall.until_state("FAULT")
    return watched


@pytest.mark.parametrize("cause", sorted(AT_THE_MACHINE))
@pytest.mark.parametrize("there", [HERE, OWNER], ids=["player here", "owner"])
def test_a_fault_of_the_machine_is_cleared_at_the_machine(cause: str, there: Caller) -> None:
    """A player elsewhere is refused with what to do; whoever is at the machine may clear it."""
    watched = in_fault(cause)
    refused = watched.hall.say("clear", AFAR)
    assert refused.code is not None and refused.code.name == "not-allowed"
    assert "cut the motor power" in refused.text and watched.state == "FAULT"
    assert watched.hall.say("clear", there).ok
    assert watched.state == "IDLE"


@pytest.mark.parametrize("cause", sorted({row.cause for row in HAZARDS} - AT_THE_MACHINE))
def test_an_ordinary_fault_may_be_cleared_from_afar(cause: str) -> None:
    """A lost link or an overloaded computer needs no hand at the wheels; clearing moves nothing."""
    watched = in_fault(cause)
    assert watched.hall.say("clear", AFAR).ok
    assert watched.state == "IDLE" and not watched.feeds()
