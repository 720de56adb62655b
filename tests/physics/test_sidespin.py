"""Sidespin by a rolled head: closed forms of the lean, the bend in the air, and what a bounce leaves of it."""

import math

import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from drillfeed.daemon.physics.flight import fly
from drillfeed.daemon.physics.launch import Launch, head_spin, launch_from, spin_parts

SPINS = st.floats(-80.0, 80.0)


def level(topspin: float, sidespin: float, speed: float = 7.5, tilt: float = 16.0, pan: float = 0.0) -> Launch:
    head = head_spin(topspin, sidespin)
    return launch_from(speed, head.revps, tilt, pan_deg=pan, roll_deg=head.roll_deg)


@given(SPINS, SPINS)
@example(-0.0, 0.0)
@example(0.0, -20.0)
@example(-20.0, 0.0)
def test_a_spin_is_made_of_its_two_parts(topspin: float, sidespin: float) -> None:
    """Thrown level, a ball turns about the axis to the left as topspin and upward as sidespin (vectors; 1e-9).

    The head leans by 90 degrees at most, and without sidespin not at all.
    """
    head = head_spin(topspin, sidespin)
    assert abs(head.roll_deg) <= 90.0 and abs(head.revps) == pytest.approx(math.hypot(topspin, sidespin))
    assert sidespin or head == (topspin, 0.0)
    assert spin_parts(*head) == pytest.approx((topspin, sidespin), abs=1e-9)
    spin = [part / (2 * math.pi) for part in level(topspin, sidespin, tilt=0.0).spin_radps]
    assert spin == pytest.approx([0.0, topspin, sidespin], abs=1e-9)


def test_a_three_four_five_spin_leans_by_the_known_angle() -> None:
    """30 and 40 rev/s are 50 rev/s at 53.1301 degrees; with backspin the lower wheel is the faster (last place)."""
    assert head_spin(30.0, 40.0) == pytest.approx((50.0, 53.13010235), abs=1e-8)
    assert head_spin(-30.0, 40.0) == pytest.approx((-50.0, -53.13010235), abs=1e-8)


@settings(max_examples=60, deadline=None)
@given(st.floats(4, 15), SPINS, SPINS, st.floats(-25, 60), st.floats(-20, 20))
def test_sidespin_and_pan_turned_over_fly_the_mirror_image(
    speed: float, topspin: float, sidespin: float, tilt: float, pan: float
) -> None:
    """Touch for touch, topspin and speed are the same, sides and sidespin turned over (symmetry; 1e-9)."""
    flight = fly(level(topspin, sidespin, speed, tilt, pan))
    other = fly(level(topspin, -sidespin, speed, tilt, -pan))
    assert (flight.reason, flight.length, len(flight.bounces)) == (other.reason, other.length, len(other.bounces))
    for here, there in zip(flight.bounces, other.bounces, strict=True):
        same = (here.t_s, here.x_m, here.speed_after_mps, here.spin_after_revps)
        assert (there.t_s, there.x_m, there.speed_after_mps, there.spin_after_revps) == pytest.approx(same, abs=1e-9)
        assert (-there.y_m, -there.side_after_revps) == pytest.approx((here.y_m, here.side_after_revps), abs=1e-9)
    if flight.end_line is not None and other.end_line is not None:
        image = (-other.end_line.y_m, -other.end_line.side_revps, other.end_line.spin_revps)
        found = (flight.end_line.y_m, flight.end_line.side_revps, flight.end_line.spin_revps)
        assert image == pytest.approx(found, abs=1e-9)


@pytest.mark.parametrize("sidespin", [10.0, 25.0, 40.0])
def test_sidespin_bends_towards_its_sign_and_more_of_it_further(sidespin: float) -> None:
    """Positive sidespin lands left of the line, and half of it less far left."""
    full, half = fly(level(30.0, sidespin)).landing, fly(level(30.0, sidespin / 2)).landing
    assert full is not None and half is not None
    assert full.y_m > half.y_m > 0.01


@pytest.mark.parametrize(("topspin", "sidespin"), [(30.0, 25.0), (-22.0, 18.0), (0.0, 30.0)])
def test_a_bounce_leaves_the_spin_about_the_vertical_alone(topspin: float, sidespin: float) -> None:
    """Friction at the lowest point has no moment about the vertical: that part of the spin is left as it came.

    A ball thrown at a tilt has sidespin times cos(tilt) of it, and the plain ball's spin doesn't fade (vectors; 1e-9).
    """
    landing = fly(level(topspin, sidespin, 6.5, tilt=16.0)).landing
    assert landing is not None
    assert landing.side_after_revps == pytest.approx(sidespin * math.cos(math.radians(16.0)), abs=1e-9)
