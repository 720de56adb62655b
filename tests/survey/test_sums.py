"""The sums of the guided set-up against figures worked out by hand or by another way."""

import math

import numpy as np
import pytest

from drillfeed.daemon.survey import sums


def test_frames_between_two_marks_give_rpm() -> None:
    """Twenty turns in 96 frames at 240 fps are 50 turns a second; one frame off is a hundredth."""
    found = sums.rpm_of_frames(20, 96, 240)
    assert found.value == pytest.approx(3000.0)
    assert found.plus_minus == pytest.approx(3000.0 / 96)
    assert sums.frames_per_turn(20, 96) == pytest.approx(4.8)


def test_a_rim_of_the_trade() -> None:
    """3,000 rpm on a 57 mm wheel is about 9 m/s at the rim: common practice, no source."""
    diameter = sums.diameter_of_round(179.0, 2.0)
    assert diameter.value == pytest.approx(57.0, abs=0.05)
    assert 3000 / 60 * math.pi * diameter.value / 1000 == pytest.approx(9.0, abs=0.1)


@pytest.mark.parametrize(("tau_s", "rest_s"), [(2.0, 8.0), (0.8, 5.0), (3.0, 4.0), (20.0, 6.0)])
def test_coast_from_three_points_finds_the_constant(tau_s: float, rest_s: float) -> None:
    """Steps of a tenth of a millisecond of dw/dt = -(w + f)/tau give the half-speed time; the sum finds tau again."""
    friction = 1.0 / math.expm1(rest_s / tau_s)
    speed, t, half_s = 1.0, 0.0, 0.0
    while speed > 0.0:
        speed -= 1e-4 * (speed + friction) / tau_s
        t += 1e-4
        half_s = t if speed >= 0.5 else half_s
    assert t == pytest.approx(rest_s, rel=2e-3)
    assert sums.coast_constant_s(half_s, rest_s, 0.05).value == pytest.approx(tau_s, rel=0.03)


def test_dry_friction_alone_has_the_longest_constant() -> None:
    """A wheel that loses speed evenly has half of it after half of the time; no constant describes that better."""
    assert sums.coast_constant_s(3.0, 6.0, 0.1).value == sums.MAX_COAST_CONSTANT_S


def test_run_up_counts_the_slower_half() -> None:
    """Half of 9 m/s in 0.5 s, the rest in 1.1 s: the wheel keeps 4.5 / 1.1 m/s^2 all the way."""
    assert sums.run_up_mps2(9.0, 0.5, 1.6, 0.1).value == pytest.approx(4.5 / 1.1)


def test_three_videos_give_latency_and_its_spread() -> None:
    """Means and the largest distance from it; never less than a frame."""
    latency, spread = sums.latency_of_frames((72, 75, 78), 240)
    assert (latency.value, spread.value) == (pytest.approx(0.3125), pytest.approx(0.0125))
    assert sums.latency_of_frames((72, 72, 72), 240)[1].value == pytest.approx(1 / 240)


def test_drift_is_a_share_of_a_turn_for_each_turn() -> None:
    """36 degrees after 20 turns is half a percent of a turn each, whichever way it drifted."""
    assert sums.phase_error((36, -36, 36), 20).value == pytest.approx(0.005)


def test_plus_minus_holds_the_truth() -> None:
    """Readings off by what their tools allow: nineteen figures in twenty lie within their plus-minus."""
    rng, held = np.random.default_rng(5), []
    for _ in range(400):
        true_rpm = rng.uniform(1500, 4000)
        frames = round(20 * 240 * 60 / true_rpm + rng.uniform(-0.5, 0.5))
        found = sums.rpm_of_frames(20, frames, 240)
        held.append(abs(found.value - true_rpm) <= found.plus_minus)
    assert sum(held) >= 0.95 * len(held)
    assert sums.inertia_kgm2(45, 57).value == pytest.approx(0.65 * 0.045 * 0.0285**2)
    assert sums.degrees_per_second(0, 45, 6.2, 0.4).plus_minus == pytest.approx(45 / 6.2 * 0.4 / 6.2)
    assert sums.per_minute(52, 60) == (52.0, 0.5)
