"""Drop tests of the equipment rules, with air, through the shipped flight and bounce."""

from dataclasses import replace

import pytest

from drillfeed.daemon.physics.air import STILL_AIR, Air
from drillfeed.daemon.physics.flight import fly
from drillfeed.daemon.physics.launch import Launch
from drillfeed.daemon.physics.record import Flight
from drillfeed.daemon.physics.roots import find, slope, slope_curve, value
from drillfeed.daemon.physics.table import PLAIN_BALL, Ball

STILL = (0.0, 0.0, 0.0)


def rise_cm(height_m: float, ball: Ball, air: Air) -> float:
    """Return how high a ball bounces, its lowest point measured, when let go from a height."""
    flight: Flight = fly(Launch((2.0, 0.0, height_m + ball.radius_m), STILL, STILL), ball=ball, air=air, until="floor")
    for piece in flight.pieces:
        z = piece.curves[2]
        if slope(z, 0.0) > 0.0 >= slope(z, piece.share):
            top = find(slope_curve(z), 0.0, piece.share, 0.0, 1.0)
            return 100 * (float(value(z, top)) - ball.radius_m)
    raise AssertionError("the ball did not rise")


def even(e: float, drag: float) -> Ball:
    """Return a ball with one restitution at all speeds."""
    return replace(PLAIN_BALL, drag=drag, restitution_at_rest=e, restitution_fall_spm=0.0, max_restitution=1.0)


@pytest.mark.parametrize(
    ("drop_mm", "rise_mm", "with_air", "without"),
    [
        (305, 240, 0.922, 0.887),
        (305, 250, 0.942, 0.905),
        (305, 260, 0.961, 0.923),
        (305, 265, 0.971, 0.932),
        (300, 230, 0.909, 0.876),
    ],
)
def test_restitution_behind_a_drop(drop_mm: int, rise_mm: int, with_air: float, without: float) -> None:
    """The restitutions behind the ITTF drop tests (leaflets T1, T3), derived with drag both ways and without air.

    Tolerance 0.5 mm of rise: half a unit of the third place of e makes 0.3 mm, the rest is the top's cubic.
    """
    assert 10 * rise_cm(drop_mm / 1000, even(with_air, 0.50), Air(1.225)) == pytest.approx(rise_mm, abs=0.5)
    assert 10 * rise_cm(drop_mm / 1000, even(without, 0.50), Air(0.0)) == pytest.approx(rise_mm, abs=0.5)


def test_default_restitution_in_the_ball_rule() -> None:
    """From 305 mm the default ball rises 24.4 cm, inside the rule's 24.0 to 26.5 for plastic balls (leaflet T3)."""
    found = rise_cm(0.305, PLAIN_BALL, STILL_AIR)
    assert 24.0 <= found <= 26.5
    assert found == pytest.approx(24.4, abs=0.1)


def test_default_restitution_on_the_table() -> None:
    """From 300 mm it rises 24.0 cm; Law 2.1.3 says "about 23", read here as 23 +- 1.5 cm. Restitution is not tuned."""
    found = rise_cm(0.300, PLAIN_BALL, STILL_AIR)
    assert found == pytest.approx(23.0, abs=1.5)
    assert found == pytest.approx(24.0, abs=0.1)
