"""Free flight against formulas that can be written down, and against a printed force."""

import math
from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from drillfeed.daemon.physics.air import STANDARD_GRAVITY_MPS2, Air
from drillfeed.daemon.physics.motion import acceleration, coefficients_of
from drillfeed.daemon.physics.table import PLAIN_BALL
from tests.support.free_flight import free_flight

# Drag 0.50 and rho 1.225 belong to these worked values alone; aiming uses the ball's defaults.
DRAGGING = coefficients_of(replace(PLAIN_BALL, drag=0.50, lift_slope=0.0), Air(1.225))
DRAG_ALONE = coefficients_of(replace(PLAIN_BALL, drag=0.50, lift_slope=0.0), Air(1.225, 0.0))
STILL = (0.0, 0.0, 0.0)
K, TERMINAL = 0.1425352, 8.2947


def test_drag_constant() -> None:
    """k = rho A C_D / (2 m) and the terminal speed sqrt(g / k) are the worked ones (textbook; last printed place)."""
    assert pytest.approx(K, abs=5e-8) == DRAGGING.drag_per_m
    assert math.sqrt(STANDARD_GRAVITY_MPS2 / DRAGGING.drag_per_m) == pytest.approx(TERMINAL, abs=5e-5)


@pytest.mark.parametrize(("time_s", "speed", "fallen"), [(1.0, 6.869400, 4.061925), (0.5, 4.402116, 1.160456)])
def test_fall_from_rest(time_s: float, speed: float, fallen: float) -> None:
    """v = v_t tanh(g t / v_t), y = v_t^2/g ln cosh(g t / v_t) (textbook): 2e-6, the last printed place."""
    p, v = free_flight(STILL, STILL, STILL, time_s, DRAGGING)
    assert -v[2] == pytest.approx(speed, abs=2e-6)
    assert -p[2] == pytest.approx(fallen, abs=2e-6)


def test_two_metre_drop() -> None:
    """A fall of 2 m takes 0.66939 s (same formulas): half of the last place, at 5.5 m/s some 0.03 mm."""
    p, _ = free_flight(STILL, STILL, STILL, 0.66939, DRAGGING)
    assert -p[2] == pytest.approx(2.0, abs=5e-6 * 5.5)


def test_flat_flight_without_gravity() -> None:
    """v = v0 / (1 + k v0 t), x = ln(1 + k v0 t) / k (textbook): 2e-6."""
    p, v = free_flight(STILL, (10.0, 0.0, 0.0), STILL, 0.3, DRAG_ALONE)
    assert v[0] == pytest.approx(7.004735, abs=2e-6)
    assert p[0] == pytest.approx(2.497619, abs=2e-6)


def test_rise() -> None:
    """A ball thrown up at 5 m/s stands still after 0.458835 s at 1.087292 m (textbook; 2e-6 in height, 1e-5 m/s)."""
    p, v = free_flight(STILL, (0.0, 0.0, 5.0), STILL, 0.458835, DRAGGING)
    assert v[2] == pytest.approx(0.0, abs=1e-5)
    assert p[2] == pytest.approx(1.087292, abs=2e-6)


@given(st.floats(3, 20), st.floats(-60, 80), st.floats(0.05, 1.0))
def test_vacuum_gives_a_parabola(speed: float, tilt_deg: float, time_s: float) -> None:
    """Without air the path is Galileo's parabola (1e-9)."""
    tilt = math.radians(tilt_deg)
    start = (speed * math.cos(tilt), 0.0, speed * math.sin(tilt))
    p, _ = free_flight(STILL, start, (100.0, 200.0, 300.0), time_s, coefficients_of(PLAIN_BALL, Air(0.0)))
    assert p[0] == pytest.approx(start[0] * time_s, abs=1e-9)
    assert p[2] == pytest.approx(start[2] * time_s - STANDARD_GRAVITY_MPS2 * time_s**2 / 2, abs=1e-9)


@pytest.mark.parametrize("by_volume", [False, True])
def test_lift_alone_gives_a_circle(by_volume: bool) -> None:
    """With lift alone the speed stays and the path is a circle of radius v^2 / a (kinematics; 1e-5 m over 0.5 s)."""
    law = coefficients_of(replace(PLAIN_BALL, drag=0.0, lift_by_volume=by_volume), Air(1.204, 0.0))
    v, w = (10.0, 0.0, 0.0), (0.0, 150.0, 0.0)
    sideways = -acceleration(v, w, law)[2]
    radius, turned = 100.0 / sideways, sideways * 0.5 / 10.0
    p, v2 = free_flight(STILL, v, w, 0.5, law)
    assert math.hypot(*v2) == pytest.approx(10.0, abs=1e-6)
    assert p[0] == pytest.approx(radius * math.sin(turned), abs=1e-5)
    assert p[2] == pytest.approx(-radius * (1 - math.cos(turned)), abs=1e-5)


def test_printed_forces() -> None:
    """Drag and lift over mass are 3.7196 and 1.5927 m/s^2, printed as 3.7 and 1.6 in Nakashima et al. 2011, eq. 1."""
    ball = replace(PLAIN_BALL, drag=0.54, lift_slope=8 / 3 * 0.069, lift_by_volume=True)
    law = coefficients_of(ball, Air(1.184, 9.8))
    omega = -3000 * 2 * math.pi / 60
    ax, ay, az = acceleration((-5.0, 0.0, 0.0), (0.0, omega, 0.0), law)
    assert ax == pytest.approx(3.7196, abs=5e-5)
    assert ay == 0.0
    assert -az - 9.8 == pytest.approx(1.5927, abs=5e-5)


def test_lift_forms_agree_below_the_cap() -> None:
    """C_L = 8/3 C_M S and C_M rho V (omega x v) are one force where spin and velocity stand square (algebra; 1e-12)."""
    slope = replace(PLAIN_BALL, lift_slope=0.75)
    v, w = (8.0, 0.0, 0.0), (0.0, 100.0, 0.0)
    by_coefficient = acceleration(v, w, coefficients_of(slope, Air()))
    by_volume = acceleration(v, w, coefficients_of(replace(slope, lift_by_volume=True), Air()))
    assert by_coefficient == pytest.approx(by_volume, rel=1e-12)


@given(st.floats(3, 20), st.floats(0, 754), st.floats(-60, 60), st.floats(0.02, 0.6))
def test_energy_never_rises_in_flight(speed: float, omega: float, tilt_deg: float, time_s: float) -> None:
    """Kinetic and potential energy together never rise: air only takes, lift does no work (mechanics; 1e-7 J/kg)."""
    tilt, law = math.radians(tilt_deg), coefficients_of(PLAIN_BALL, Air())
    p, v = STILL, (speed * math.cos(tilt), 0.0, speed * math.sin(tilt))
    before = speed**2 / 2
    p, v = free_flight(p, v, (omega, 0.0, omega / 2), time_s, law)
    assert sum(a * a for a in v) / 2 + STANDARD_GRAVITY_MPS2 * p[2] <= before + 1e-7


def test_spin_decay() -> None:
    """With a decay time the lift fades as the spin does: the whole turn is the integral of the spin (1e-4)."""
    law = coefficients_of(replace(PLAIN_BALL, spin_decay_s=1.0, drag=0.0, lift_by_volume=True), Air(1.204, 0.0))
    _, v = free_flight(STILL, (10.0, 0.0, 0.0), (0.0, 50.0, 0.0), 0.5, law)
    # The velocity turns at the rate c omega(t): the whole turn is c omega0 tau (1 - exp(-t / tau)).
    turned = law.lift_by_spin * 50.0 * (1 - math.exp(-0.5))
    assert math.atan2(-v[2], v[0]) == pytest.approx(turned, rel=1e-4)
