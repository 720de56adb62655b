"""Figures of home-built throwers as builders tell them: common practice, no source. The simplest machine has them."""

import math

import pytest

from drillfeed.daemon.library.loading import load_balls, load_drill, load_machine
from drillfeed.daemon.listing import listing
from drillfeed.daemon.planning.fitting import fitted
from drillfeed.daemon.planning.plan import plan_drill

SHED = load_machine("shed-build")
BALLS = load_balls()
NAMES = [entry.name for entry in listing("balls", SHED, None) if entry.possible]
POSSIBLE = {name: fitted(BALLS[name], SHED).ball for name in NAMES}


def test_3000_rpm_on_a_57_mm_wheel_is_about_9_mps_at_the_rim() -> None:
    """Common practice, no source; by hand pi x 0.057 m x 50 turns a second = 8.95 m/s."""
    assert SHED.top.rim_mps(3000) == pytest.approx(math.pi * 0.057 * 50)
    assert SHED.top.highest_rpm == 3000 and SHED.top.rim_mps(3000) == pytest.approx(9.0, abs=0.1)


def test_practice_balls_are_5_to_10_mps() -> None:
    """Common practice, no source: what the simplest machine throws lies in the slow half of the useful span."""
    speeds = [ball.speed_mps for ball in POSSIBLE.values()]
    assert min(speeds) >= 5.0 and max(speeds) <= 9.0
    assert max(speeds) - min(speeds) >= 2.5


def test_spin_and_depth_vary_as_far_as_such_wheels_reach() -> None:
    """Common practice, no source: some 20 rev/s either way, low and high arcs, balls near the net and deep ones."""
    assert min(ball.spin_revps for ball in POSSIBLE.values()) <= -20
    assert max(ball.spin_revps for ball in POSSIBLE.values()) >= 18
    depths = [ball.depth_cm or 0.0 for ball in POSSIBLE.values()]
    assert min(depths) <= 65 and max(depths) >= 115
    assert {ball.arc for ball in POSSIBLE.values()} == {"low", "high"}


def test_a_ball_comes_every_one_to_three_seconds() -> None:
    """Common practice, no source: a ball a second or a bit more, down to one in two or three seconds."""
    assert 1.0 <= SHED.feeder.cycle_s <= 1.2
    assert 60 / SHED.feeder.low_balls_per_min == pytest.approx(3.0)


def test_a_basket_holds_50_to_60_balls() -> None:
    """Common practice, no source; a stirred basket, and a drill of the simplest machine is thrown from one filling."""
    assert 50 <= SHED.hopper.balls <= 60 and SHED.hopper.agitator
    assert all(
        plan_drill(load_drill(name), BALLS, SHED, 1).balls <= SHED.hopper.balls
        for name in ("near-and-deep", "easy-unknown", "closing-minute", "smash-the-half-lob")
    )


def test_the_tilt_spans_0_to_45_degrees_and_its_high_end_is_for_smashing() -> None:
    """Common practice, no source: the ball thrown with the most tilt is the high one of the smashing drill."""
    assert (SHED.tilt.low_deg, SHED.tilt.high_deg) == (0, 45)
    assert load_drill("smash-the-half-lob").ball_names()[0] == "half-lob"
    assert [name for name, ball in POSSIBLE.items() if ball.arc == "high"] == ["half-lob"]
