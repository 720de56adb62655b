"""Bounce against worked values and against what no bounce may break."""

import math
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from drillfeed.daemon.physics.bounce import Vector, bounce, bounce_many, restitution
from drillfeed.daemon.physics.table import PLAIN_BALL, Ball

R = PLAIN_BALL.radius_m
speeds = st.floats(-20, 20)
falls = st.floats(-15, -0.05)
spins = st.floats(-800, 800)
contacts = st.tuples(speeds, speeds, falls, spins, spins, spins)


def even(e: float) -> Ball:
    """Return a ball whose restitution is the same at every speed."""
    return replace(PLAIN_BALL, restitution_at_rest=e, restitution_fall_spm=0.0, max_restitution=1.0)


def energy(v: Vector, w: Vector) -> float:
    """Return twice the energy over the mass; the inertia is 2/3 m r^2."""
    return sum(a * a for a in v) + 2 / 3 * R**2 * sum(a * a for a in w)


@pytest.mark.parametrize(
    ("v", "w", "e", "v_out", "w_out"),
    [
        ((5, 0, -3), (0, 0, 0), 0.93, (3.5525, 0, 2.79), (0, 108.5625, 0)),
        ((5, 0, -3), (0, 400, 0), 0.93, (6.2, 0, 2.79), (0, 310, 0)),
        ((5, 0, -2), (0, -300, 0), 0.93, (4.035, 0, 1.86), (0, -227.625, 0)),
        ((4, 1, -2.5), (100, 200, 50), 0.93, (4, -0.2, 2.325), (10, 200, 50)),
        ((20, 0, -4), (0, 0, 0), 0.90, (18.1, 0, 3.6), (0, 142.5, 0)),
    ],
    ids=["slides", "rolls", "backspin slides", "sidespin rolls", "fast and flat"],
)
def test_worked_values(v: Vector, w: Vector, e: float, v_out: Vector, w_out: Vector) -> None:
    """Bounces worked by hand from Nakashima et al. 2011 (IEEE ROBIO, eqs 2-4, mu 0.25) come out exactly."""
    found_v, found_w = bounce(v, w, even(e))
    assert found_v == pytest.approx(v_out, abs=1e-12)
    assert found_w == pytest.approx(w_out, abs=1e-10)


@given(contacts)
def test_no_bounce_creates_energy(s: tuple[float, ...]) -> None:
    """Energy never rises at a bounce, and the ball always leaves the table (mechanics; 1e-9 for rounding)."""
    v, w = (s[0], s[1], s[2]), (s[3], s[4], s[5])
    after = bounce(v, w, PLAIN_BALL)
    assert energy(*after) <= energy(v, w) * (1 + 1e-9)
    assert after[0][2] == pytest.approx(-restitution(s[2], PLAIN_BALL) * s[2])


@given(contacts)
def test_angular_momentum_about_the_contact_is_kept(s: tuple[float, ...]) -> None:
    """r v_x + 2/3 r^2 w_y is kept, likewise across, as no force has a moment about the contact point (1e-9)."""
    v, w = (s[0], s[1], s[2]), (s[3], s[4], s[5])
    v2, w2 = bounce(v, w, PLAIN_BALL)
    assert R * v2[0] + 2 / 3 * R**2 * w2[1] == pytest.approx(R * v[0] + 2 / 3 * R**2 * w[1], abs=1e-9)
    assert R * v2[1] - 2 / 3 * R**2 * w2[0] == pytest.approx(R * v[1] - 2 / 3 * R**2 * w[0], abs=1e-9)
    assert w2[2] == pytest.approx(w[2], abs=1e-9)


@given(contacts)
def test_friction_never_turns_the_contact_point_round(s: tuple[float, ...]) -> None:
    """The contact point slows or stops, along the same line; friction does not push it back (Coulomb; 1e-9)."""
    v, w = (s[0], s[1], s[2]), (s[3], s[4], s[5])
    v2, w2 = bounce(v, w, PLAIN_BALL)
    before = np.array([v[0] - R * w[1], v[1] + R * w[0]])
    after = np.array([v2[0] - R * w2[1], v2[1] + R * w2[0]])
    assert float(before @ after) >= -1e-9
    assert math.hypot(*after) <= math.hypot(*before) + 1e-9


@given(contacts, st.floats(0, 2 * math.pi))
def test_bounce_does_not_depend_on_the_compass(s: tuple[float, ...], angle: float) -> None:
    """Turning the incoming ball about the upright axis turns the outgoing one by the same angle (isotropy; 1e-9)."""
    c, d = math.cos(angle), math.sin(angle)

    def turn(a: Vector) -> Vector:
        return (c * a[0] - d * a[1], d * a[0] + c * a[1], a[2])

    v, w = (s[0], s[1], s[2]), (s[3], s[4], s[5])
    v2, w2 = bounce(v, w, PLAIN_BALL)
    v3, w3 = bounce(turn(v), turn(w), PLAIN_BALL)
    assert v3 == pytest.approx(turn(v2), abs=1e-9)
    assert w3 == pytest.approx(turn(w2), abs=1e-7)


def test_without_slip_nothing_along_the_table_changes() -> None:
    """A ball that rolls on touching keeps its speed along the table and its spin: there is nothing to rub."""
    v, w = bounce((4.0, 0.0, -2.0), (0.0, 4.0 / R, 0.0), PLAIN_BALL)
    assert v[:2] == pytest.approx((4.0, 0.0))
    assert w == pytest.approx((0.0, 4.0 / R, 0.0))


def test_a_ball_that_leaves_is_left_alone() -> None:
    """A ball that moves away from the surface is unchanged."""
    assert bounce((1.0, 2.0, 3.0), (4.0, 5.0, 6.0), PLAIN_BALL) == ((1.0, 2.0, 3.0), (4.0, 5.0, 6.0))


def test_many_bounce_as_one_does() -> None:
    """Arrays of balls, slanted surfaces among them, bounce as single balls do (1e-12)."""
    rng = np.random.default_rng(3)
    v, w, n = rng.uniform(-9, 9, (3, 50)), rng.uniform(-500, 500, (3, 50)), rng.normal(size=(3, 50))
    n /= np.sqrt((n * n).sum(axis=0))
    many_v, many_w = bounce_many(v, w, PLAIN_BALL, n)
    for i in range(50):
        one_v, one_w = bounce(tuple(v[:, i]), tuple(w[:, i]), PLAIN_BALL, tuple(n[:, i]))
        assert many_v[:, i] == pytest.approx(one_v, rel=1e-12, abs=1e-12)
        assert many_w[:, i] == pytest.approx(one_w, rel=1e-12, abs=1e-10)


@pytest.mark.parametrize(("speed", "expected"), [(0, 0.94), (2.0, 0.94), (2.5, 0.93), (5.0, 0.88), (30, 0.75)])
def test_restitution_falls_with_speed(speed: float, expected: float) -> None:
    """Restitution is 0.98 - 0.02 v_n, kept between 0.75 and 0.94 (Duerr et al. 2026, Nature 652:886, as quoted)."""
    assert restitution(speed, PLAIN_BALL) == pytest.approx(expected)
