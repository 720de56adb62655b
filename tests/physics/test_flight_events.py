"""What a flight meets: net, posts, edges, floor, end line; and one ball against many."""

import math
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from drillfeed.daemon.physics.air import Air
from drillfeed.daemon.physics.flight import fly
from drillfeed.daemon.physics.flight_batch import fly_many
from drillfeed.daemon.physics.launch import Launch, launch_from, launches_from
from drillfeed.daemon.physics.record import Flight, length_of
from drillfeed.daemon.physics.roots import slope
from drillfeed.daemon.physics.table import NET_HALF_WIDTH_M, NET_HEIGHT_M, NET_X_M, PLAIN_BALL, TABLE_LENGTH_M
from tests.support.launches import launch_at

R = PLAIN_BALL.radius_m
NO_AIR = Air(0.0, 0.0)
STILL = (0.0, 0.0, 0.0)
TENTH_MM = 1e-4


def straight(place: tuple[float, float, float], velocity: tuple[float, float, float]) -> Flight:
    """Return a flight in a straight line: neither air nor gravity."""
    return fly(Launch(place, velocity, STILL), air=NO_AIR)


@pytest.mark.parametrize(("over_mm", "touches"), [(0.1, False), (-0.1, True)])
def test_tape_is_met_to_a_tenth_of_a_millimetre(over_mm: float, touches: bool) -> None:
    """A level ball 0.1 mm over the tape passes, 0.1 mm lower touches (geometry)."""
    flight = straight((0.0, 0.0, NET_HEIGHT_M + R + over_mm / 1000), (10.0, 0.0, 0.0))
    assert (flight.reason is not None and "touches the net" in flight.reason) is touches
    if not touches:
        assert flight.net_clearance_m == pytest.approx(over_mm / 1000, abs=1e-9)


@pytest.mark.parametrize(("over_mm", "touches"), [(0.1, False), (-0.1, True)])
def test_slanting_ball_touches_the_tape_beside_the_net_plane(over_mm: float, touches: bool) -> None:
    """A ball that falls at 45 degrees needs r/cos 45 between its centre and the tape in the net plane (geometry)."""
    centre = NET_HEIGHT_M + (R + over_mm / 1000) * math.sqrt(2)
    flight = straight((NET_X_M - 0.5, 0.0, centre + 0.5), (5.0, 0.0, -5.0))
    assert ("touches the net" in (flight.reason or "")) is touches


@pytest.mark.parametrize(("beside_mm", "touches"), [(0.1, False), (-0.1, True)])
def test_net_reaches_past_the_side_lines(beside_mm: float, touches: bool) -> None:
    """The net ends 15.25 cm outside the side line (Law 2.2.2): a ball 0.1 mm beside the post passes."""
    flight = straight((0.0, NET_HALF_WIDTH_M + R + beside_mm / 1000, 0.1), (10.0, 0.0, 0.0))
    assert ("touches the net" in (flight.reason or "")) is touches
    assert flight.net_clearance_m is None


@pytest.mark.parametrize("past_mm", [5.0, 15.0, 19.0])
def test_edge_is_met_where_a_sphere_meets_it(past_mm: float) -> None:
    """A ball that falls d past the end line meets the edge sqrt(r^2 - d^2) up, to 0.1 mm (geometry)."""
    d = past_mm / 1000
    flight = straight((TABLE_LENGTH_M + d, 0.1, 0.3), (0.0, 0.0, -2.0))
    touch = flight.bounces[0]
    assert touch.edge
    assert 0.3 - 2.0 * touch.t_s == pytest.approx(math.sqrt(R**2 - d**2), abs=TENTH_MM)
    assert flight.valid


def test_a_ball_just_past_the_edge_misses() -> None:
    """A ball whose side passes the edge 0.1 mm clear goes to the floor."""
    flight = straight((TABLE_LENGTH_M + R + TENTH_MM, 0.0, 0.3), (0.0, 0.0, -2.0))
    assert flight.bounces == ()
    assert not flight.valid


def test_side_of_the_table_is_not_the_table() -> None:
    """A ball that meets the edge from below the surface is no good and says so (Law 2.1.1: the sides do not count)."""
    flight = straight((TABLE_LENGTH_M + 0.3, 0.0, -0.005), (-5.0, 0.0, 0.0))
    assert flight.reason == "hits the side of the table"


def test_landing_is_one_radius_above() -> None:
    """A straight ball lands where its centre is one radius above the table (definition; 1e-9)."""
    flight = straight((0.0, 0.0, 0.6), (10.0, 0.5, -2.9))
    assert flight.time_s == pytest.approx((0.6 - R) / 2.9, abs=1e-9)
    assert flight.landing_m == pytest.approx((2.0, 0.1), abs=1e-9)


@pytest.mark.parametrize(
    ("speed", "spin", "tilt", "words"),
    [
        (8.0, 0, 2.0, "touches the net"),
        (19.0, 0, 25.0, "misses the table"),
        (3.0, 0, -30.0, "bounces twice on the thrower's half"),
        (3.0, 0, 80.0, "on the thrower's half"),
    ],
    ids=["net", "long", "twice", "own half"],
)
def test_every_bad_ball_has_a_reason(speed: float, spin: float, tilt: float, words: str) -> None:
    """A ball that is no good says why, and a good one gives no reason."""
    flight = fly(launch_from(speed, spin, tilt))
    assert not flight.valid
    assert words in (flight.reason or "")
    assert fly(launch_from(8.5, 40, 15.4)).reason is None


@pytest.mark.parametrize(
    ("second_x", "length"), [(2.5, "short"), (2.7, "half-long"), (2.8, "half-long"), (3.0, "long")]
)
def test_length_class(second_x: float, length: str) -> None:
    """Short, half-long and long go by the second bounce against the end line (common practice, no source)."""
    assert length_of(second_x) == length


@pytest.mark.parametrize(
    ("speed", "spin", "inside"), [(3, 0, True), (20, 120, True), (2.9, 0, False), (20.1, 0, False), (10, 121, False)]
)
def test_model_range(speed: float, spin: float, inside: bool) -> None:
    """A launch outside 3-20 m/s or 120 rev/s is told from one inside."""
    assert fly(launch_from(speed, spin, 10)).in_model_range is inside


def test_end_line_passage() -> None:
    """After the bounce a ball passes the player's end line at x 2.74, before it comes down again."""
    flight = fly(launch_from(8.5, 40, 15.4))
    assert flight.landing and flight.end_line and flight.second_bounce_m
    assert flight.end_line.t_s > flight.landing.t_s
    assert flight.pieces[-1].point(1.0)[1] >= TABLE_LENGTH_M


launch_numbers = st.tuples(
    st.floats(3, 20), st.floats(-120, 120), st.floats(-30, 60), st.floats(-20, 20), st.floats(-90, 90)
)


@settings(max_examples=60, deadline=None)
@given(launch_numbers)
def test_mirror(numbers: tuple[float, ...]) -> None:
    """Pan and roll reversed throw the mirror image, whatever the ball meets (symmetry; 1e-9)."""
    speed, spin, tilt, pan, roll = numbers
    left = fly(launch_from(speed, spin, tilt, pan_deg=pan, roll_deg=roll))
    right = fly(launch_from(speed, spin, tilt, pan_deg=-pan, roll_deg=-roll))
    assert left.reason == right.reason
    assert [b.t_s for b in left.bounces] == pytest.approx([b.t_s for b in right.bounces], abs=1e-9)
    assert [b.y_m for b in left.bounces] == pytest.approx([-b.y_m for b in right.bounces], abs=1e-9)


def test_many_fly_as_one_does() -> None:
    """600 balls flown together end as each flown alone, edges, nets and misses among them (1e-9; same equations)."""
    rng, n = np.random.default_rng(5), 600
    launches = launches_from(
        rng.uniform(3, 20, n),
        rng.uniform(-120, 120, n),
        rng.uniform(-40, 60, n),
        pan_deg=rng.uniform(-15, 15, n),
        roll_deg=rng.uniform(-90, 90, n),
        height_m=rng.uniform(0.05, 0.5, n),
    )
    many = fly_many(launches)
    for i in range(n):
        single = fly(launch_at(launches, i))
        assert bool(many.valid[i]) is single.valid
        second = None if single.second_bounce_m is None else single.second_bounce_m + NET_X_M
        for alone, together in (
            (single.time_s, many.time_s[i]),
            (single.landing_m and single.landing_m[1], many.landing_y_m[i]),
            (single.depth_m, many.depth_m[i]),
            (single.net_clearance_m, many.net_clearance_m[i]),
            (single.apex_m, many.apex_m[i]),
            (single.landing and single.landing.spin_after_revps, many.spin_after_revps[i]),
            (single.end_line and single.end_line.t_s, many.end_line_s[i]),
            (second, many.second_bounce_x_m[i]),
        ):
            assert together == pytest.approx(math.nan if alone is None else alone, abs=1e-9, nan_ok=True)


def test_events_do_not_hang_on_the_step() -> None:
    """A quarter of the step moves a landing or a net clearance by less than 0.2 mm (the corner in the lift law)."""
    rng, n = np.random.default_rng(6), 300
    launches = launches_from(rng.uniform(5, 20, n), rng.uniform(-60, 60, n), rng.uniform(-25, 40, n))
    coarse, fine = fly_many(launches, until="landing"), fly_many(launches, until="landing", rough=0.25)
    both = coarse.valid & fine.valid
    assert both.sum() > 40
    assert np.array_equal(coarse.valid, fine.valid)
    assert np.abs(coarse.landing_x_m - fine.landing_x_m)[both].max() < 2 * TENTH_MM
    assert np.abs(coarse.net_clearance_m - fine.net_clearance_m)[both].max() < 2 * TENTH_MM


def test_arrays_and_single_launches_are_the_same_launch() -> None:
    """`launches_from` gives, ball by ball, what `launch_from` gives (1e-12)."""
    some = [(8.0, 20.0, 12.0, 4.0, 30.0), (6.0, -30.0, -9.0, -7.0, -45.0)]
    single = [launch_from(v, s, t, pan_deg=p, roll_deg=r, height_m=0.3, offset_m=0.1) for v, s, t, p, r in some]
    v, s, t, p, r = (np.array(column) for column in zip(*some, strict=True))
    packed = launches_from(v, s, t, pan_deg=p, roll_deg=r, height_m=0.3, offset_m=0.1)
    assert len(packed) == len(single) == 2
    for name in ("position_m", "velocity_mps", "spin_radps"):
        assert getattr(packed, name) == pytest.approx(np.array([getattr(one, name) for one in single]).T, abs=1e-12)


def test_roll_bends_topspin_to_the_left() -> None:
    """A head rolled by 90 degrees turns topspin into spin that bends the ball to the left."""
    flight = fly(launch_from(7.0, 30, 20, roll_deg=90))
    assert flight.landing_m is not None
    assert flight.landing_m[1] > 0.1


def test_a_dip_to_the_table_between_two_steps_is_a_bounce() -> None:
    """A fast backspin ball that sinks 0.1 mm too low and would rise again touches where a parabola says.

    Outside source: constant acceleration over the few milliseconds of the dip; the acceleration is read off the same
    ball flying free, 0.3 m higher.
    """
    launch = launch_from(20.0, -110, 0.0)
    free = fly(Launch((1.6, 0.0, R + 0.3), launch.velocity_mps, launch.spin_radps))
    first = free.pieces[0]
    moment = 0.01 / first.step_s
    rise_mps2 = (slope(first.curves[2], moment) - slope(first.curves[2], 0.0)) / first.step_s / 0.01
    assert rise_mps2 > 5.0
    down_mps = 0.1
    depth_m = down_mps**2 / (2 * rise_mps2)
    for share, touches in ((0.5, True), (1.5, False)):
        velocity = (launch.velocity_mps[0], launch.velocity_mps[1], -down_mps)
        flight = fly(Launch((1.6, 0.0, R + share * depth_m), velocity, launch.spin_radps))
        assert bool([bounce for bounce in flight.bounces if bounce.t_s < 0.02]) is touches
        if touches:
            at_s = (down_mps - math.sqrt(down_mps**2 - 2 * rise_mps2 * share * depth_m)) / rise_mps2
            assert flight.bounces[0].t_s == pytest.approx(at_s, rel=0.05)


def test_spin_at_the_end_line_has_faded_as_spin_does() -> None:
    """Where spin fades, the passage of the end line has exp(-t / tau) of the spin after the bounce (closed form)."""
    tau_s = 0.5
    flight = fly(launch_from(8.5, 40, 15.4), ball=replace(PLAIN_BALL, spin_decay_s=tau_s))
    assert flight.landing and flight.end_line
    flown_s = flight.end_line.t_s - flight.landing.t_s
    expected = flight.landing.spin_after_revps * math.exp(-flown_s / tau_s)
    assert flight.end_line.spin_revps == pytest.approx(expected, rel=1e-6)
    many = fly_many(
        launches_from(np.array([8.5]), np.array([40.0]), np.array([15.4])), ball=replace(PLAIN_BALL, spin_decay_s=tau_s)
    )
    assert float(many.end_line_s[0]) == pytest.approx(flight.end_line.t_s, abs=1e-6)
