"""Whether a player can tell two ball types apart, as written and as a machine throws them.

Rule of this file: it compares what reaches the player. Types that were never apart are nobody's loss.
"""

from drillfeed.daemon.drills.balls import BallType
from drillfeed.daemon.machine import Machine
from drillfeed.daemon.physics.record import Flight
from drillfeed.daemon.planning.fitting import Fitted, written_flight
from drillfeed.daemon.planning.setting import flight_for
from drillfeed.protocol.texts.catalogue import text

Written = tuple[BallType, Fitted]
"""A ball type as written, and as it was fitted."""
# A player can tell two balls apart if one of these figures differs by so much: defaults of ours, no source.
SPIN_REVPS = 4.0  # after the bounce
SPEED_MPS = 0.3  # after the bounce
DEPTH_M = 0.15
APEX_M = 0.10


def apart(one: Flight, other: Flight) -> bool:
    """Tell whether a player can tell two balls apart; a ball that doesn't land counts as different."""
    if one.landing is None or other.landing is None:
        return True
    return (
        abs(one.landing.spin_after_revps - other.landing.spin_after_revps) >= SPIN_REVPS
        or abs(one.landing.side_after_revps - other.landing.side_after_revps) >= SPIN_REVPS
        or abs(one.landing.speed_after_mps - other.landing.speed_after_mps) >= SPEED_MPS
        or abs((one.depth_m or 0.0) - (other.depth_m or 0.0)) >= DEPTH_M
        or abs(one.apex_m - other.apex_m) >= APEX_M
    )


def no_longer_apart(one: Written, other: Written, machine: Machine) -> str | None:
    """Say which two ball types fitting has made one for the player, None if the player can still tell them apart."""
    (first, first_fit), (second, second_fit) = one, other
    if not (first_fit.text or second_fit.text):
        return None
    if apart(flight_for(first_fit.ball, machine), flight_for(second_fit.ball, machine)):
        return None
    one_flight, other_flight = written_flight(first), written_flight(second)
    if one_flight is None or other_flight is None or not apart(one_flight, other_flight):
        return None
    return text(
        "fit.no-longer-apart",
        machine=machine.name,
        first=first.name,
        second=second.name,
        first_figures=_figures(first_fit),
        second_figures=_figures(second_fit),
    )


def _figures(fit: Fitted) -> str:
    return f"{fit.ball.speed_mps:g} m/s {fit.ball.spin_text}"
