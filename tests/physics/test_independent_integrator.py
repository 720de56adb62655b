"""Shipped flights against scipy's eighth-order integrator, the equation of motion written out a second time here."""

import math
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.integrate import solve_ivp

from drillfeed.daemon.physics.air import STANDARD_GRAVITY_MPS2
from drillfeed.daemon.physics.bounce import bounce
from drillfeed.daemon.physics.flight import fly
from drillfeed.daemon.physics.launch import Launch, launch_from
from drillfeed.daemon.physics.record import Flight
from drillfeed.daemon.physics.table import PLAIN_BALL, over_table

RADIUS, MASS, RHO = 0.020, 0.0027, 1.204
AREA = math.pi * RADIUS**2
LANDING_M, TIME_S = 0.5e-3, 0.1e-3


def slope(_: float, state: NDArray[np.float64], omega: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return the time derivative of place and velocity, in vector form: drag 0.55, lift min(0.75 S, 0.26)."""
    v = state[3:]
    speed = float(np.linalg.norm(v))
    force = -0.5 * RHO * AREA * 0.55 * speed * v
    across = np.cross(omega, v)
    if np.linalg.norm(across) > 0:
        spin_ratio = RADIUS * float(np.linalg.norm(omega)) / speed
        force += 0.5 * RHO * AREA * min(0.75 * spin_ratio, 0.26) * speed**2 * across / np.linalg.norm(across)
    return np.concatenate([v, force / MASS - [0, 0, STANDARD_GRAVITY_MPS2]])


def to_the_level_of_a_touch(p: Any, v: Any, w: Any) -> tuple[float, NDArray[np.float64]]:
    """Return when and with which state the ball comes down to one radius above the table's plane."""

    def level(_: float, state: NDArray[np.float64], __: Any) -> float:
        return float(state[2] - RADIUS)

    level.terminal, level.direction = True, -1  # type: ignore[attr-defined]
    start = np.array([*p, *v], dtype=np.float64)
    found = solve_ivp(slope, (0, 5), start, "DOP853", events=level, args=(np.array(w),), rtol=1e-9, atol=1e-10)
    return float(found.t_events[0][0]), found.y_events[0][0]


def balls(count: int, seed: int) -> list[tuple[Launch, Flight]]:
    """Return balls over the whole valid range (3-20 m/s, 0-120 rev/s, S up to 1) whose first touch is on the table."""
    rng, kept = np.random.default_rng(seed), list[tuple[Launch, Flight]]()
    while len(kept) < count:
        speed = rng.uniform(3, 20)
        most = min(120.0, speed / (2 * math.pi * RADIUS))
        launch = launch_from(
            speed,
            rng.uniform(-most, most),
            rng.uniform(-40, 70),
            pan_deg=rng.uniform(-15, 15),
            roll_deg=rng.uniform(-90, 90),
            height_m=rng.uniform(0.05, 0.6),
            back_m=rng.uniform(-0.5, 0.5),
        )
        flight = fly(launch)
        if flight.bounces and not flight.bounces[0].edge:
            kept.append((launch, flight))
    return kept


def test_first_touch_of_500_balls() -> None:
    """500 random balls touch within 0.5 mm and 0.1 ms of scipy's DOP853 at rtol 1e-9 (far below any scatter)."""
    worst_m = worst_s = 0.0
    for launch, flight in balls(500, seed=11):
        at, state = to_the_level_of_a_touch(launch.position_m, launch.velocity_mps, launch.spin_radps)
        touch = flight.bounces[0]
        worst_m = max(worst_m, math.dist((touch.x_m, touch.y_m), state[:2]))
        worst_s = max(worst_s, abs(touch.t_s - at))
    assert worst_m < LANDING_M
    assert worst_s < TIME_S


def test_second_touch_of_100_balls() -> None:
    """The leg after the bounce agrees as well: same bounce law, scipy's flight from there (0.5 mm, 0.1 ms)."""
    checked = 0
    for launch, flight in balls(100, seed=12):
        w = launch.spin_radps
        at, state = to_the_level_of_a_touch(launch.position_m, launch.velocity_mps, w)
        v, w = bounce(tuple(state[3:]), w, PLAIN_BALL)
        more, end = to_the_level_of_a_touch((state[0], state[1], RADIUS), v, w)
        if len(flight.bounces) < 2 or flight.bounces[1].edge or not over_table(end[0], end[1]):
            continue
        checked += 1
        touch = flight.bounces[1]
        assert math.dist((touch.x_m, touch.y_m), end[:2]) < LANDING_M
        assert touch.t_s == pytest.approx(at + more, abs=TIME_S)
    assert checked > 20
