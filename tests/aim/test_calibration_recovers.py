"""A calibration from made-up tape measure data, with a truth that the fit does not know."""

from dataclasses import replace

import numpy as np
import pytest
from numpy.typing import NDArray

from drillfeed.daemon.aim.calibrate import NAMES, Fit, fit
from drillfeed.daemon.aim.expected import calibrated, defaults
from drillfeed.daemon.aim.marks import Mark
from drillfeed.daemon.aim.request import AimRequest
from drillfeed.daemon.aim.solve import solutions
from drillfeed.daemon.aim.thrower import Thrower, ball_from, launch_by, rims_of, rims_to_tell, rpm_of, thrower_of
from drillfeed.daemon.library.loading import load_machine
from drillfeed.daemon.physics.flight import fly
from tests.support.landings import expected_depths, landing_interval

Array = NDArray[np.float64]
CLUB = thrower_of(load_machine("club-build"))
# Speed m/s, spin rev/s, tilt: the span of settings that get thrown, and others between them that are held out.
USED = [
    (6.5, 0.0, 18.9),
    (7.0, 18.0, 22.0),
    (8.5, 40.0, 15.4),
    (8.0, 8.0, 13.9),
    (6.5, -20.0, 13.3),
    (6.5, -32.0, 14.1),
    (7.0, -44.0, 11.3),
    (7.5, 48.0, 19.5),
    (9.0, 10.0, 10.0),
    (6.0, 10.0, 24.0),
]
HELD_OUT = [(7.5, 30.0, 18.0), (6.8, -26.0, 13.5), (8.2, 20.0, 14.5), (7.2, 0.0, 15.5)]
SCATTER_M = 0.04


def mark(setting: tuple[float, float, float], depth_m: float | None = None) -> Mark:
    """Return a row: the setting as an uncalibrated machine is told, and where a ball landed."""
    top_rpm, bottom_rpm = rpm_of(CLUB, rims_to_tell(CLUB, setting[0], setting[1]))
    return Mark(top_rpm, bottom_rpm, setting[2], depth_m=depth_m)


def thrown(truth: Array, rng: np.random.Generator, balls: int = 25) -> list[Mark]:
    """Return 25 landings over the span of settings on a machine of hidden truth, each 4 cm off at random."""
    settings = [USED[i % len(USED)] for i in range(balls)]
    depths = expected_depths(CLUB, truth, [mark(s) for s in settings]) + rng.normal(0.0, SCATTER_M, balls)
    return [mark(s, float(d)) for s, d in zip(settings, depths, strict=True)]


def bias(values: Array, truth: Array) -> float:
    """Return how far the mean landing is off at the held-out settings, on average."""
    held = [mark(s) for s in HELD_OUT]
    return float(np.mean(np.abs(expected_depths(CLUB, values, held) - expected_depths(CLUB, truth, held))))


def test_bias_at_held_out_settings_falls_from_over_20_to_under_5_cm() -> None:
    """25 balls with 4 cm scatter bring the bias on settings held out from over 20 cm to under 5 (our own target)."""
    for seed, truth in enumerate(
        (
            np.array([0.93, -0.15, 0.96, -0.20, -1.0, 0.55]),
            np.array([1.05, 0.20, 1.04, 0.25, 1.5, 0.55]),
            np.array([0.95, -0.30, 0.92, 0.05, -1.5, 0.55]),
        )
    ):
        found = fit(CLUB, thrown(truth, np.random.default_rng(seed)))
        assert bias(defaults(CLUB), truth) > 0.20
        assert bias(found.values, truth) < 0.05
        assert found.refused is None
        assert found.scatter_m == pytest.approx(SCATTER_M, rel=0.5)


def test_the_interval_covers_the_truth_as_often_as_it_says() -> None:
    """Over 200 repeats the 90 % interval of the mean landing covers the truth in 84 to 95 % (our own target)."""
    rng, covered = np.random.default_rng(7), []
    held = [mark(s) for s in HELD_OUT]
    for _ in range(200):
        truth = defaults(CLUB) + rng.normal(0.0, [0.06, 0.4, 0.06, 0.4, 2.0, 0.0])
        found = fit(CLUB, thrown(truth, rng))
        mean, half = landing_interval(CLUB, found, held)
        covered.append(np.abs(mean - expected_depths(CLUB, truth, held)) <= half)
    assert 0.84 <= float(np.mean(covered)) <= 0.95


def test_a_calibrated_machine_lands_its_balls() -> None:
    """Aimed through the fit, a machine with hidden offsets lands a ball within 5 cm of where it should."""
    truth = np.array([0.93, -0.15, 0.96, -0.20, -1.0, 0.55])
    learnt = calibrated(CLUB, fit(CLUB, thrown(truth, np.random.default_rng(3))).values)
    real = calibrated(CLUB, truth)
    for spin, speed in ((30.0, 8.0), (-25.0, 6.8), (0.0, 7.0)):
        (s,) = (x for x in solutions(learnt, AimRequest(spin, speed_mps=speed, depth_m=1.0)) if x.arc == "low")
        v, w = ball_from(real, rims_of(real, s.top_rpm, s.bottom_rpm))
        assert fly(launch_by(real, v, w, s.tilt_deg)).depth_m == pytest.approx(1.0, abs=0.05)


def test_other_measurements_sharpen_the_fit() -> None:
    """Timings, spin counts and tachometer readings add to the landings: no deviation grows, the slopes' fall."""
    truth = np.array([0.95, 0.1, 1.03, -0.1, 0.5, 0.55])
    marks = thrown(truth, np.random.default_rng(5))
    real = calibrated(CLUB, truth)
    more = list(marks)
    for setting in USED[:5]:
        m = mark(setting)
        told = rims_of(real, m.top_rpm, m.bottom_rpm)
        _, spin = ball_from(real, told)
        felt = (real.top_line.felt_mps(told.top_mps), real.bottom_line.felt_mps(told.bottom_mps))
        tach = [v * 60 / (np.pi * 0.06) for v in felt]
        more.append(replace(m, spin_revps=spin, tach_top_rpm=tach[0], tach_bottom_rpm=tach[1], fps=240, balls=10))
    few, many = fit(CLUB, marks), fit(CLUB, more)
    assert many.sd("top_slope") < few.sd("top_slope")
    assert many.sd("bottom_slope") < few.sd("bottom_slope")
    assert abs(many.value("top_slope") - 0.95) < 3 * many.sd("top_slope")


def test_a_phone_timing_tells_speed() -> None:
    """Timings alone move both wheels' slopes the right way; the fit says what they cannot tell, and is refused."""
    real = calibrated(CLUB, np.array([0.92, 0.0, 0.92, 0.0, 0.0, 0.55]))
    marks = []
    for setting in USED[:6]:
        m = mark(setting)
        v, _ = ball_from(real, rims_of(real, m.top_rpm, m.bottom_rpm))
        marks.append(replace(m, gate_m=1.5, gate_s=_gate(v, setting[2]), fps=240, balls=10))
    found = fit(CLUB, marks)
    assert found.value("top_slope") + found.value("bottom_slope") < 1.95
    assert "tilt_zero_deg" in found.open
    assert found.refused is not None and "no landing" in found.refused


def _gate(speed_mps: float, tilt_deg: float) -> float:
    """Return the time over 1.5 m along the table by following the flight, another way than the fit's."""
    from drillfeed.daemon.physics.launch import launch_from
    from drillfeed.daemon.physics.motion import coefficients_of
    from tests.support.free_flight import free_flight

    launch = launch_from(speed_mps, 0.0, tilt_deg)
    low, high = 0.05, 0.6
    for _ in range(40):
        mid = (low + high) / 2
        place, _v = free_flight(
            launch.position_m, launch.velocity_mps, (0.0, 0.0, 0.0), mid, coefficients_of(CLUB.ball, CLUB.air)
        )
        low, high = (mid, high) if place[0] - launch.position_m[0] < 1.5 else (low, mid)
    return low


@pytest.mark.parametrize(
    ("scatter_m", "balls", "words"), [(0.35, 25, "more than the landing zone's 15 cm"), (0.02, 4, "at least 8")]
)
def test_what_must_not_be_called_calibrated(scatter_m: float, balls: int, words: str) -> None:
    """Scatter beyond the landing zone, or a handful of balls, is refused with the reason."""
    rng, settings = np.random.default_rng(2), [USED[i % len(USED)] for i in range(balls)]
    marks = [mark(s, 1.0 + float(rng.normal(0.0, scatter_m))) for s in settings]
    found: Fit = fit(CLUB, marks)
    assert found.refused is not None
    assert words in found.refused


def test_what_the_data_cannot_tell_is_named() -> None:
    """Landings of a span of slow balls hardly tell drag: it is named as open and stays at its default."""
    found = fit(CLUB, thrown(defaults(CLUB), np.random.default_rng(4)))
    assert "drag" in found.open
    assert found.value("drag") == pytest.approx(0.55, abs=0.03)
    assert set(found.open) <= set(NAMES)


def test_landings_before_the_net_are_first_touches() -> None:
    """A mark before the net is where the ball first touched: it is fitted as such."""
    settings = [(3.5 + 0.2 * i, 0.0, 10.0) for i in range(8)]
    depths = expected_depths(CLUB, defaults(CLUB), [mark(s, -0.5) for s in settings])
    assert np.all(depths < 0.0)


def test_thrower_is_left_alone() -> None:
    """Fitting does not change the machine it was given."""
    before: Thrower = CLUB
    fit(CLUB, thrown(defaults(CLUB), np.random.default_rng(1)))
    assert before == thrower_of(load_machine("club-build"))
