"""How fast flights and aim are: `python -m tests.bench.flight`. Needs the bench extra (numba) for one comparison.

Times are of the processor, one thread each, best of some repeats, so that a busy machine shows less.
"""

import math
import time
from collections.abc import Callable
from functools import partial
from importlib.util import find_spec

import numpy as np
from numpy.typing import NDArray
from scipy.integrate import solve_ivp

from drillfeed.daemon.aim.aiming import aim, ways
from drillfeed.daemon.aim.request import AimRequest
from drillfeed.daemon.aim.thrower import thrower_of
from drillfeed.daemon.library.loading import load_balls, load_machine
from drillfeed.daemon.physics.flight import fly
from drillfeed.daemon.physics.flight_batch import fly_many
from drillfeed.daemon.physics.launch import Launches, launch_from, launches_from
from drillfeed.daemon.planning.setting import NotPossible, setting_for

REPEATS = 5
RADIUS_M, MASS_KG, RHO, GRAVITY = 0.020, 0.0027, 1.204, 9.80665
PER_MASS = 0.5 * RHO * math.pi * RADIUS_M**2 / MASS_KG
Array = NDArray[np.float64]


def best_s(work: Callable[[], object], repeats: int = REPEATS) -> float:
    """Return the shortest of some runs, in seconds."""
    times = []
    for _ in range(repeats):
        start = time.process_time()
        work()
        times.append(time.process_time() - start)
    return min(times)


def launches(n: int, seed: int = 1) -> Launches:
    """Return balls that land on the player's half or near it, spin about any axis."""
    rng = np.random.default_rng(seed)
    return launches_from(
        rng.uniform(6.0, 9.0, n),
        rng.uniform(-35.0, 35.0, n),
        rng.uniform(12.0, 22.0, n),
        pan_deg=rng.uniform(-5, 5, n),
        roll_deg=rng.uniform(-90, 90, n),
    )


def slope(_: float, s: Array, w: Array, size: float) -> list[float]:
    """Return the time derivative of one ball's state in plain floats: as fast as solve_ivp can be fed from Python."""
    vx, vy, vz = s[3], s[4], s[5]
    speed = math.sqrt(vx * vx + vy * vy + vz * vz)
    cx, cy, cz = w[1] * vz - w[2] * vy, w[2] * vx - w[0] * vz, w[0] * vy - w[1] * vx
    cross = math.sqrt(cx * cx + cy * cy + cz * cz) + 1e-300
    lift = PER_MASS * min(0.75 * RADIUS_M * size * speed, 0.26 * speed * speed) / cross
    drag = PER_MASS * 0.55 * speed
    return [vx, vy, vz, lift * cx - drag * vx, lift * cy - drag * vy, lift * cz - drag * vz - GRAVITY]


def by_solve_ivp(some: Launches, i: int, rtol: float) -> tuple[float, float]:
    """Return where and when one ball comes down to the level of a touch, by scipy."""

    def level(_: float, s: Array, __: Array, ___: float) -> float:
        return float(s[2] - RADIUS_M)

    level.terminal, level.direction = True, -1  # type: ignore[attr-defined]
    w = some.spin_radps[:, i]
    start = np.concatenate([some.position_m[:, i], some.velocity_mps[:, i]])
    args = (w, float(np.linalg.norm(w)))
    found = solve_ivp(slope, (0.0, 5.0), start, "DOP853", events=level, args=args, rtol=rtol, atol=rtol / 10)
    return float(found.y_events[0][0][0]), float(found.t_events[0][0])


def against_solve_ivp() -> None:
    """Compare with scipy, ball by ball, at the tolerance where both are equally far from an exact answer."""
    n, sample = 10_000, 60
    some = launches(n)
    many = fly_many(some, until="landing")
    landed = [i for i in range(n) if many.valid[i] and many.own_half_bounces[i] == 0][:sample]
    exact = np.array([by_solve_ivp(some, i, 1e-12)[0] for i in landed])
    ours = float(np.sqrt(np.mean((many.landing_x_m[landed] - exact) ** 2)))
    for rtol in (1e-3, 1e-4, 1e-5, 1e-6, 1e-7, 1e-8):
        theirs = float(np.sqrt(np.mean((np.array([by_solve_ivp(some, i, rtol)[0] for i in landed]) - exact) ** 2)))
        if theirs <= ours:
            break
    one_s = best_s(lambda: [by_solve_ivp(some, i, rtol) for i in landed], 3) / sample
    per_ball_s = best_s(lambda: fly_many(some, until="landing")) / n
    print(
        f"off at landing (rms of {sample}): ours {1e6 * ours:.1f} um, solve_ivp at rtol {rtol:g} {1e6 * theirs:.1f} um"
    )
    print(
        f"a ball by solve_ivp DOP853 {1e3 * one_s:.2f} ms, of 10000 flown together {1e6 * per_ball_s:.1f} us: "
        f"{one_s / per_ball_s:.0f} times (aim: 100)"
    )


def against_numba() -> None:
    """Compare with a fourth-order integrator of equal accuracy, compiled for one ball after another."""
    if find_spec("numba") is None:
        print("numba is not there; next: pip install 'drillfeed[bench]'")
        return
    from tests.bench.compiled_flight import land_all

    n = 10_000
    for name, some in (("spin across the flight", _level(n)), ("spin about any axis", launches(n))):
        arrays = (some.position_m, some.velocity_mps, some.spin_radps)
        compiled = land_all(*arrays)
        many = fly_many(some, until="landing")
        same = many.valid & (many.own_half_bounces == 0)
        apart = float(np.nanmax(np.abs(many.landing_x_m - compiled)[same]))
        ours = best_s(partial(fly_many, some, until="landing"))
        theirs = best_s(partial(land_all, *arrays))
        print(
            f"{n} balls, {name}: numpy {1e3 * ours:.0f} ms, compiled with numba {1e3 * theirs:.0f} ms: "
            f"{ours / theirs:.1f} times as long (aim: 4), landings at most {1e6 * apart:.1g} um apart"
        )


def _level(n: int) -> Launches:
    rng = np.random.default_rng(2)
    return launches_from(
        rng.uniform(6, 9, n), rng.uniform(-35, 35, n), rng.uniform(12, 22, n), pan_deg=rng.uniform(-5, 5, n)
    )


def growth() -> None:
    """Tell the cost against the number of balls."""
    for n in (1_000, 3_000, 10_000, 30_000, 100_000):
        some = launches(n)
        took = best_s(partial(fly_many, some, until="landing"), 3)
        print(f"{n:>7} balls to the landing {1e3 * took:7.1f} ms, {1e6 * took / n:5.1f} us a ball")
    one_flight_s = best_s(lambda: [fly(launch_from(8.5, 40.0, 15.4)) for _ in range(50)]) / 50
    print(f"one ball alone, to its second bounce: {1e3 * one_flight_s:.2f} ms")


def aiming() -> None:
    """Time aim, cold: nothing of these requests was solved before."""
    club = thrower_of(load_machine("club-build"))
    aim(club, AimRequest(1.0, speed_mps=7.0, depth_m=0.9))
    times = []
    for i in range(30):
        request = AimRequest(30.0 + i / 10, speed_mps=8.0 + i / 100, depth_m=1.0)
        start = time.process_time()
        aim(club, request)
        times.append(time.process_time() - start)
    print(f"aim, cold: best {1e3 * min(times):.1f} ms, median {1e3 * sorted(times)[15]:.1f} ms (aim: 5)")
    for name in ("club-build", "kit-build"):
        machine, balls = load_machine(name), load_balls()
        ways.cache_clear()
        start, thrown = time.process_time(), 0
        for ball in balls.values():
            try:
                setting_for(ball, machine)
                thrown += 1
            except NotPossible:
                continue
        took = time.process_time() - start
        print(f"all {len(balls)} shipped balls for {name} ({thrown} possible): {1e3 * took:.0f} ms (aim: 100)")


def main() -> None:
    """Run all comparisons."""
    aiming()
    against_solve_ivp()
    against_numba()
    growth()


if __name__ == "__main__":
    main()
