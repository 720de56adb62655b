"""Two wheels to a ball and back."""

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from drillfeed.daemon.physics.table import PLAIN_BALL
from drillfeed.daemon.physics.thrower import (
    Flywheel,
    RimLimits,
    RimLine,
    Rims,
    broken_limit,
    max_spin_revps,
    opening_at,
    rim_mps,
    rims_for,
    speed_share,
    spin_share,
    throw,
    thrown_by,
    wheel_rpm,
)


def test_no_slip_worked_value() -> None:
    """10 m/s with 30 rev/s of topspin takes rims of 13.7699 and 6.2301 m/s (rolling without slip; last place)."""
    rims = rims_for(10.0, 30.0)
    assert (rims.top_mps, rims.bottom_mps) == pytest.approx((13.7699, 6.2301), abs=5e-5)


def test_one_wheel_stopped_gives_a_spin_ratio_of_one() -> None:
    """With one wheel at rest the ball rolls along it: S = r omega / v = 1 (kinematics; 1e-12)."""
    speed, spin = thrown_by(Rims(12.0, 0.0))
    assert PLAIN_BALL.radius_m * 2 * math.pi * spin / speed == pytest.approx(1.0, rel=1e-12)


@given(st.floats(1, 20), st.floats(-120, 120))
def test_there_and_back(speed: float, spin: float) -> None:
    """Rims for a ball throw that ball (1e-9)."""
    assert thrown_by(rims_for(speed, spin)) == pytest.approx((speed, spin), abs=1e-9)


@pytest.mark.parametrize(("inertia", "speed", "spin"), [(1e-5, 0.892, 0.925), (1e-4, 0.988, 0.992)])
def test_speed_lost_to_the_ball(inertia: float, speed: float, spin: float) -> None:
    """Of 30 mm wheels a ball takes 0.892 and 0.988 of the speed, 0.925 and 0.992 of the spin (momentum; last place)."""
    assert speed_share(inertia, 0.030) == pytest.approx(speed, abs=5e-4)
    assert spin_share(inertia, 0.030) == pytest.approx(spin, abs=5e-4)


WHEELS = st.builds(Flywheel, st.floats(1e-5, 1e-3), st.floats(0.02, 0.08))


@given(st.floats(2, 18), st.floats(2, 18), WHEELS, WHEELS)
def test_throw_keeps_momentum_and_loses_energy(top: float, bottom: float, first: Flywheel, two: Flywheel) -> None:
    """What each wheel loses in angular momentum the ball gains, and energy never rises (mechanics; 1e-9)."""
    before = Rims(top, bottom)
    speed, spin, after = throw(before, first, two)
    by_top = first.inertia_kgm2 * (top - after.top_mps) / first.radius_m**2
    by_bottom = two.inertia_kgm2 * (bottom - after.bottom_mps) / two.radius_m**2
    assert by_top + by_bottom == pytest.approx(PLAIN_BALL.mass_kg * speed, rel=1e-9)
    omega, r = 2 * math.pi * spin, PLAIN_BALL.radius_m
    assert (by_top - by_bottom) * r == pytest.approx(2 / 3 * PLAIN_BALL.mass_kg * r**2 * omega, rel=1e-9, abs=1e-12)
    wheels = sum(
        wheel.inertia_kgm2 * (a**2 - b**2) / wheel.radius_m**2
        for wheel, a, b in ((first, top, after.top_mps), (two, bottom, after.bottom_mps))
    )
    ball = PLAIN_BALL.mass_kg * (speed**2 + 2 / 3 * (r * omega) ** 2)
    assert wheels >= ball * (1 - 1e-9)


@given(st.floats(2, 18), st.floats(2, 18), WHEELS)
def test_equal_wheels_lose_by_the_shares(top: float, bottom: float, wheel: Flywheel) -> None:
    """Of wheels alike, speed and spin are the no-slip ones times `speed_share` and `spin_share` (algebra; 1e-9)."""
    speed, spin, _ = throw(Rims(top, bottom), wheel, wheel)
    no_slip = thrown_by(Rims(top, bottom))
    assert speed == pytest.approx(no_slip[0] * speed_share(wheel.inertia_kgm2, wheel.radius_m), rel=1e-9)
    assert spin == pytest.approx(no_slip[1] * spin_share(wheel.inertia_kgm2, wheel.radius_m), rel=1e-9, abs=1e-9)


@pytest.mark.parametrize(
    ("limits", "per_mps"),
    [(RimLimits(1000.0, grip_share=0.0), 7.96), (RimLimits(1000.0, grip_share=0.1), 7.96 * 0.82)],
    ids=["no reversing", "slow wheel grips at 10 %"],
)
def test_most_spin_at_a_speed(limits: RimLimits, per_mps: float) -> None:
    """Without reversing wheels spin is at most 7.96 v, with the grip share 0.82 of that (rolling; last place)."""
    assert max_spin_revps(4.0, limits) / 4.0 == pytest.approx(per_mps, abs=0.02)


@given(st.floats(1, 17), st.booleans(), st.sampled_from([0.0, 0.1, 0.3]), st.sampled_from([1, -1]))
def test_most_spin_is_the_border(speed: float, reverses: bool, grip: float, way: int) -> None:
    """At the most spin no limit is broken; a little more breaks one."""
    limits = RimLimits(18.0, reverses=reverses, grip_share=grip)
    most = max_spin_revps(speed, limits)
    if not reverses:
        assert broken_limit(rims_for(speed, way * most * (1 - 1e-6)), limits) is None
    assert broken_limit(rims_for(speed, way * (most + 0.01)), limits) is not None


@pytest.mark.parametrize(
    ("rims", "limit"),
    [
        (Rims(19.0, 10.0), "max_rim"),
        (Rims(8.0, -1.0), "reverse"),
        (Rims(10.0, 0.5), "grip"),
        (Rims(1.5, 0.4), "min_rim"),
        (Rims(10.0, 5.0), None),
    ],
)
def test_broken_limit_is_named(rims: Rims, limit: str | None) -> None:
    """The limit that a pair of rim speeds breaks is told apart from the others."""
    assert broken_limit(rims, RimLimits(18.0, min_mps=0.5)) == limit


def test_rpm_takes_a_diameter() -> None:
    """A rim at 50 rev/s that launches at about 9 m/s has a radius of about 28.6 mm (common practice, no source)."""
    assert rim_mps(50 * 60, 2 * 0.0286) == pytest.approx(9.0, abs=0.02)
    assert wheel_rpm(rim_mps(1234.0, 0.06), 0.06) == pytest.approx(1234.0)


def test_rim_line_there_and_back() -> None:
    """Told and felt rim speeds are each other's inverse."""
    line = RimLine(0.97, 0.15)
    assert line.told_mps(line.felt_mps(8.0)) == pytest.approx(8.0)


def test_opening_swings_about_its_pivot() -> None:
    """An opening 20 cm before its pivot rises by 20 sin and draws back by 20 (1 - cos) cm (geometry; 1e-12)."""
    height, back = opening_at(30.0, 0.25, 0.20, 0.20)
    assert height == pytest.approx(0.25 + 0.1, abs=1e-12)
    assert back == pytest.approx(0.20 + 0.2 * (1 - math.sqrt(3) / 2), abs=1e-12)
    assert opening_at(-17.0, 0.25, 0.20, 0.0) == pytest.approx((0.25, 0.20))
