"""Balls of the whole daemon on the virtual clock land where it means them to, and spread as it announces."""

import math
from functools import cache
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.stats import binomtest

from drillfeed.daemon.aim.spread import Spread, spread_of
from drillfeed.daemon.aim.thrower import thrower_of
from drillfeed.daemon.boards import simulated_thrower
from drillfeed.daemon.machine import Machine
from drillfeed.daemon.planning.setting import flight_for, setting_for, told
from drillfeed.daemon.simulation import Simulation
from tests.support.driver_log import keep_log
from tests.support.halls import ball_types, drill_plan, machine

Array = NDArray[np.float64]
THROWN = {
    "club-build": ("no-spin-steady", "rally-topspin", "heavy-push"),
    "kit-build": ("no-spin-steady", "gentle-topspin"),
    "hall-roll": ("forehand-side-topspin", "backhand-side-push"),
}
BALLS = 60
UNLIKELY = 0.001
KINDS = [(name, ball) for name, balls in THROWN.items() for ball in balls]


@cache
def landings(name: str) -> dict[str, Array]:
    """Throw one set by the whole daemon and return where each type landed: (n, 2) metres past the net and left."""
    on, log = machine(name), list[dict[str, Any]]()
    on = on.model_copy(update={"hopper": on.hopper.model_copy(update={"balls": BALLS})})
    plan = drill_plan(on, (BALLS,), balls=THROWN[name])
    hall = Simulation(on, seed=1, note=keep_log(log))
    assert hall.start(plan, balls=BALLS).ok and hall.until_state("ARMED", "FAULT", max_s=300.0)
    left = [event["landing"] for event in log if event["event"] == "leaves"]
    assert len(left) == BALLS and all(ball["valid"] for ball in left)
    points: dict[str, list[tuple[float, float]]] = {ball: [] for ball in THROWN[name]}
    for planned, landed in zip(plan.sets[0].balls, left, strict=True):
        points[planned.ball].append((landed["depth_m"], landed["y_m"]))
    return {ball: np.array(some) for ball, some in points.items()}


@cache
def announced(name: str, ball: str) -> Spread:
    """Return the spread that the daemon announces for a ball type."""
    kind, on = ball_types()[ball], machine(name)
    return spread_of(thrower_of(on), told(kind, setting_for(kind, on)), np.random.default_rng(1))


def inside(points: Array, spread: Spread) -> int:
    """Return how many landings lie in the ellipse announced for nine in ten."""
    ellipse = spread.ellipse
    assert ellipse is not None and spread.depth_m is not None and spread.side_m is not None
    turn = math.radians(ellipse.angle_deg)
    x, y = points[:, 0] - spread.depth_m, points[:, 1] - spread.side_m
    along, across = x * math.cos(turn) + y * math.sin(turn), y * math.cos(turn) - x * math.sin(turn)
    return int(np.sum((along / ellipse.long_m) ** 2 + (across / ellipse.short_m) ** 2 <= 1.0))


@pytest.mark.parametrize(("name", "ball"), KINDS)
def test_the_mean_landing_is_what_the_daemon_meant(name: str, ball: str) -> None:
    """Over the balls of a type the mean lies within three standard errors of the landing that aim found.

    The errors are drawn about zero and the ball is the nominal one, so only the flight's bend could move the mean: half
    its second derivative times the variance of tilt and speed, under 0.5 mm for these balls (60,000 flown), where three
    standard errors of 20 or 30 balls are 1 to 4 cm.
    """
    points, meant = landings(name)[ball], flight_for(ball_types()[ball], machine(name))
    assert meant.depth_m is not None and meant.landing_m is not None
    off = points.mean(axis=0) - (meant.depth_m, meant.landing_m[1])
    error = points.std(axis=0, ddof=1) / math.sqrt(len(points))
    assert np.all(np.abs(off) <= 3.0 * error), (off, error)


@pytest.mark.parametrize("name", THROWN)
def test_nine_in_ten_land_in_the_announced_ellipse(name: str) -> None:
    """Over a set of 60 the share inside each ball's own ellipse is no unlikely draw of nine in ten."""
    count = sum(inside(points, announced(name, ball)) for ball, points in landings(name).items())
    assert binomtest(count, BALLS, 0.9).pvalue > UNLIKELY, count


def thrown_by_the_board(on: Machine, top_rpm: float, bottom_rpm: float, tilt_deg: float, balls: int) -> Array:
    """Feed a simulated thrower alone, its axes at rest, and return its landings as `landings` does."""
    points: list[tuple[float, float]] = []

    def note(event: str, t: float, /, **what: object) -> None:
        if event == "leaves":
            points.append((what["landing"]["depth_m"], what["landing"]["y_m"]))  # type: ignore[index]

    board = simulated_thrower(on, np.random.default_rng(2), 0.0, note)
    board.hopper_balls = balls
    board.set_wheel("top", top_rpm)
    board.set_wheel("bottom", bottom_rpm)
    board.set_angle("tilt", tilt_deg)
    for n in range(1, balls + 1):
        board.read(10.0 * n)
        board.feed_one(n)
    board.read(10.0 * (balls + 1))
    return np.array(points)


@pytest.mark.parametrize("name", THROWN)
def test_the_simulated_thrower_scatters_as_much_as_announced(name: str) -> None:
    """Along and across, the deviation of many landings is the announced one, within three standard errors.

    The error of a deviation is its 1 / sqrt(2 n), of both draws together. The thrower in numbers throws one nominal
    ball where the announcement takes a hopper of unlike ones: for this type, a hundredth of the deviation.
    """
    on, kind = machine(name), ball_types()["no-spin-steady"]
    setting, spread = setting_for(kind, on), announced(name, kind.name)
    points = thrown_by_the_board(on, setting.top_rpm, setting.bottom_rpm, setting.tilt_deg, 400)
    ratio = points.std(axis=0, ddof=1) / (spread.depth_sd_m, spread.side_sd_m)
    assert np.all(np.abs(ratio - 1.0) <= 3.0 * math.sqrt(1 / 800 + 1 / (2 * spread.balls))), ratio
