"""The constants of flight and bounce are drawn as widely as they are known, and balls fly by the ones drawn."""

import math
from dataclasses import replace
from functools import cache

import numpy as np
import pytest

from drillfeed.daemon.aim.request import AimRequest
from drillfeed.daemon.aim.solve import solutions, unlimited
from drillfeed.daemon.aim.thrower import thrower_of
from drillfeed.daemon.library.loading import load_machine
from drillfeed.daemon.physics.bounce import bounce, bounce_many, restitution, restitution_sd
from drillfeed.daemon.physics.flight import fly
from drillfeed.daemon.physics.flight_batch import fly_many
from drillfeed.daemon.physics.launch import Launch, Launches, launch_from, launches_from
from drillfeed.daemon.physics.table import PLAIN_BALL, Ball
from drillfeed.daemon.physics.widths import WIDTHS, Constants, Widths, draw_constants
from drillfeed.daemon.planning.setting import flight_for
from tests.support.halls import ball_types
from tests.support.launches import launch_at

DRAWS = 400


def of_one(drawn: Constants, i: int) -> Ball:
    """Return the ball that has one draw's constants."""
    return replace(
        PLAIN_BALL,
        drag=float(drawn.drag[i]),
        lift_slope=float(drawn.lift_slope[i]),
        lift_cap=float(drawn.lift_cap[i]),
        friction=float(drawn.friction[i]),
        restitution_shift=float(drawn.restitution_shift[i]),
    )


def repeated(launch: Launch, times: int) -> Launches:
    """Return one launch so many times."""
    parts = (launch.position_m, launch.velocity_mps, launch.spin_radps)
    return Launches(*(np.repeat(np.array([part]).T, times, axis=1) for part in parts))


@cache
def balls_at_100_cm() -> list[Launch]:
    """Return the direct balls that come down 100 cm past the net on a low arc, over 6-12 m/s and 60 rev/s either way.

    Of the grid's 52 the one that passes nearest to the net is left out.
    """
    thrower = replace(unlimited(thrower_of(load_machine("club-build"))), wheel_inertia_kgm2=1e9)
    found = [
        (ball.flight.net_clearance_m or 0.0, ball.flight.launch)
        for speed in range(6, 13)
        for spin in range(-60, 61, 15)
        for ball in solutions(thrower, AimRequest(float(spin), speed_mps=float(speed), depth_m=1.0, arc="low"))
    ]
    found.sort(key=lambda ball_and_depth: -ball_and_depth[0])
    return [launch for _, launch in found[:51]]


def test_a_ball_with_constants_of_its_own_flies_as_it_does_alone() -> None:
    """300 balls of different constants flown together end as each flown alone, serves and misses too (1e-9)."""
    rng, n = np.random.default_rng(5), 300
    launches = launches_from(
        rng.uniform(4, 14, n),
        rng.uniform(-80, 80, n),
        rng.uniform(-30, 50, n),
        pan_deg=rng.uniform(-10, 10, n),
        roll_deg=rng.uniform(-60, 60, n),
    )
    drawn = draw_constants(rng, n, PLAIN_BALL)
    many = fly_many(launches, constants=drawn)
    landed = 0
    for i in range(n):
        flown_alone = fly(launch_at(launches, i), ball=of_one(drawn, i))
        assert bool(many.valid[i]) is flown_alone.valid
        if flown_alone.valid and flown_alone.landing is not None:
            landed += 1
            assert many.depth_m[i] == pytest.approx(flown_alone.depth_m, abs=1e-9)
            assert many.spin_after_revps[i] == pytest.approx(flown_alone.landing.spin_after_revps, abs=1e-9)
            assert many.speed_after_mps[i] == pytest.approx(flown_alone.landing.speed_after_mps, abs=1e-9)
        if flown_alone.end_line is not None:
            # The place at the end line is read off the step's cubic here and worked out again there: micrometres.
            assert many.end_line_z_m[i] == pytest.approx(flown_alone.end_line.z_m, abs=2e-5)
    assert landed > 60


def test_draws_have_the_widths_named_for_them() -> None:
    """Drag +- 0.04, lift +- 0.08 of 0.75 with its cap in step, friction all over 0.15-0.35 (judgement; 2 % of 2000)."""
    drawn = draw_constants(np.random.default_rng(1), 2000, PLAIN_BALL)
    assert (drawn.drag.mean(), drawn.drag.std()) == pytest.approx((0.55, 0.04), rel=0.02)
    assert (drawn.lift_slope.mean(), drawn.lift_slope.std()) == pytest.approx((0.75, 0.08), rel=0.02)
    assert drawn.lift_cap / drawn.lift_slope == pytest.approx(np.full(2000, 0.26 / 0.75))
    assert (drawn.friction.min(), drawn.friction.max()) == pytest.approx((0.15, 0.35), abs=2e-4)
    assert np.median(drawn.friction) == pytest.approx(0.25, abs=2e-4)
    pairs = np.corrcoef([drawn.drag, drawn.lift_slope, drawn.friction, drawn.restitution_shift])
    assert np.abs(pairs - np.eye(4)).max() < 0.08


def test_drag_and_lift_leave_a_landing_at_100_cm_open_by_5_to_7_cm() -> None:
    """Over 51 legal direct balls at 100 cm the middle deviation is 5-7 cm, and none passes 14.

    Derived elsewhere: published tables of drag and lift against the defaults differ by 5 to 7 cm in the middle, by 14
    at most. Neither drag alone (3 cm) nor a lift without its cap (4 cm) makes it.
    """
    launches = balls_at_100_cm()
    assert len(launches) == 51
    widths = Widths(friction_reach=0.0, restitution_sds=0.0)
    drawn = draw_constants(np.random.default_rng(1), DRAWS, PLAIN_BALL, widths)
    deviations = []
    for launch in launches:
        depths = fly_many(repeated(launch, DRAWS), until="landing", constants=drawn).depth_m
        landed = depths[np.isfinite(depths)]
        # A few draws touch the net; too few to narrow the deviation of the rest by much.
        assert len(landed) >= 0.8 * DRAWS
        deviations.append(float(np.std(landed, ddof=1)))
    assert 0.05 <= float(np.median(deviations)) <= 0.07
    assert max(deviations) <= 0.14


def test_friction_moves_the_short_serve_from_70_to_30_cm() -> None:
    """Friction 0.15 to 0.35 moves its landing from 70 to 30 cm and its spin from -19 to +2 rev/s (derived; 1)."""
    serve = flight_for(ball_types()["short-backspin-serve"], load_machine("club-build")).launch
    ends = [fly(serve, ball=replace(PLAIN_BALL, friction=mu)) for mu in (0.15, 0.35)]
    assert [100 * (end.depth_m or 0.0) for end in ends] == pytest.approx([70, 30], abs=1)
    assert [end.landing and end.landing.spin_after_revps for end in ends] == pytest.approx([-19, 2], abs=1)
    drawn = draw_constants(np.random.default_rng(1), DRAWS, PLAIN_BALL)
    depths = fly_many(repeated(serve, DRAWS), until="landing", constants=drawn).depth_m
    assert np.nanquantile(depths, (0.05, 0.95)) == pytest.approx([0.31, 0.68], abs=0.03)


def test_friction_moves_the_spin_after_a_direct_ball_by_5_to_10_revps() -> None:
    """Friction 0.15 or 0.35 instead of 0.25 moves a sliding direct ball's spin by 5-10 rev/s (derived)."""
    thrown = launch_from(6.5, -32.0, 14.1)
    spins = [fly(thrown, ball=replace(PLAIN_BALL, friction=mu)).landing for mu in (0.15, 0.25, 0.35)]
    low, middle, high = (spin.spin_after_revps for spin in spins if spin is not None)
    assert 5.0 <= middle - low <= 10.0 and 5.0 <= high - middle <= 10.0


def test_restitution_is_known_less_well_above_4_mps() -> None:
    """Its width is even up to 4 m/s and widens so that 0.78 at 5.8 m/s lies two deviations off (quoted; judgement)."""
    assert restitution_sd(1.0, max) == restitution_sd(4.0, max) == pytest.approx(0.015)
    assert restitution_sd(5.8, max) > 2.5 * restitution_sd(4.0, max)
    assert restitution(5.8, PLAIN_BALL) == pytest.approx(0.865, abs=0.002)
    assert restitution(5.8, replace(PLAIN_BALL, restitution_shift=-2.0)) == pytest.approx(0.78, abs=0.005)
    assert restitution(2.4, replace(PLAIN_BALL, restitution_shift=-2.0)) < 0.909


@pytest.mark.parametrize("shift", [-30.0, -2.0, 2.0, 30.0])
def test_no_draw_of_restitution_creates_energy(shift: float) -> None:
    """However far it is moved, restitution stays between 0 and 1, for one contact and for many alike."""
    ball = replace(PLAIN_BALL, restitution_shift=shift)
    for fall in (0.5, 3.0, 9.0):
        velocity, spin = bounce((3.0, 0.0, -fall), (0.0, 50.0, 0.0), ball)
        assert 0.0 <= velocity[2] <= fall
        many, _ = bounce_many(
            np.array([[3.0], [0.0], [-fall]]),
            np.array([[0.0], [50.0], [0.0]]),
            PLAIN_BALL,
            friction=np.array([0.25]),
            restitution_shift=np.array([shift]),
        )
        assert tuple(many[:, 0]) == pytest.approx(velocity, abs=1e-12)
        energy = math.hypot(*velocity) ** 2 + 2 / 3 * (0.02 * math.hypot(*spin)) ** 2
        assert energy <= 9.0 + fall**2 + 2 / 3 * (0.02 * 50.0) ** 2 + 1e-9


def test_the_same_seed_draws_the_same_constants() -> None:
    """Chance is an argument: the same seed gives the same draws, another seed others."""
    drawn, again, other = (draw_constants(np.random.default_rng(seed), 50, PLAIN_BALL, WIDTHS) for seed in (1, 1, 2))
    assert np.array_equal(drawn.drag, again.drag) and np.array_equal(drawn.friction, again.friction)
    assert not np.array_equal(drawn.drag, other.drag)
