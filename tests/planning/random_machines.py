"""Every ball that is fitted to a random machine, by a second way from its wheels to its landing.

    python -m tests.planning.random_machines --machines 500 --seed 1

For each machine: the whole library is fitted twice, with nothing kept between; the two must be the same text. Each ball
that is possible must land within its type's tolerance, by momentum and scipy's integrator alone.
"""

import argparse
import math
import time
from collections import Counter
from collections.abc import Iterator

import numpy as np

from drillfeed.daemon.aim.aiming import ways
from drillfeed.daemon.aim.thrower import rim_limits
from drillfeed.daemon.drills.balls import BallType
from drillfeed.daemon.library.loading import load_balls, load_machine
from drillfeed.daemon.machine import Machine
from drillfeed.daemon.planning.fitting import Fitted, _fit, fitted, written_flight
from drillfeed.daemon.planning.setting import NotPossible, setting_for
from tests.support.independent import landed, thrown

BALLS = load_balls()
LIKE = load_machine("club-build").model_dump()
ROUND_MPS, ROUND_REVPS, ROUND_M = 2e-3, 0.02, 1e-3  # what the setting's rounding to 0.001 rpm and degree may change


def random_machine(rng: np.random.Generator) -> Machine:
    """Return a machine with rims to 7 to 20 m/s, any tilt span, wheel size and way of stopping."""
    diameter_mm = float(rng.uniform(40, 120))
    rim_mps = float(rng.uniform(7, 20))
    high_rpm = rim_mps / (math.pi * diameter_mm / 1000) * 60
    braked, measured = rng.random() < 0.5, rng.random() < 0.5
    stops = (
        {"brake": "yes", "down_mps2": 20.0, "quick_mps2": 30.0}
        if braked
        else {"brake": "none", "coast_time_constant_s": 2.0}
    )
    wheels = {
        "diameter_mm": diameter_mm, "low_rpm": float(rng.uniform(0.02, 0.1)) * high_rpm, "high_rpm": high_rpm,
        "up_mps2": 8.0, "spin_down_s": 8.0, "inertia_kg_m2": float(10 ** rng.uniform(-4.5, -3)),
        "min_share": float(rng.uniform(0, 0.3)), "sag_share": float(rng.choice([0.0, 0.05, 0.1])),
        "reverse": bool(rng.random() < 0.2), **stops,
    }  # fmt: skip
    return Machine.model_validate(
        {
            **LIKE, "name": "random", "top": wheels, "bottom": wheels,
            "tilt": {"low_deg": float(rng.uniform(-30, 5)), "high_deg": float(rng.uniform(20, 70)),
                     "slew_deg_per_s": 20.0},
            "opening": {"height_m": float(rng.uniform(0.1, 0.4)), "behind_end_line_m": float(rng.uniform(0.0, 0.5)),
                        "pivot_to_opening_m": float(rng.uniform(0, 0.15))},
            "sensors": {"speed_feedback": bool(measured), "exit_sensor": bool(measured)},
        }
    )  # fmt: skip


def library_text(machine: Machine) -> str:
    """Return the whole library as it is fitted to a machine, with nothing kept from before, as text."""
    ways.cache_clear()
    _fit.cache_clear()
    lines = []
    for ball in BALLS.values():
        try:
            lines.append(fitted(ball, machine).ball.model_dump_json())
        except NotPossible as error:
            lines.append(f"{ball.name}: {error}")
    return "\n".join(lines)


def faults_of(ball: BallType, fit: Fitted, machine: Machine) -> Iterator[str]:
    """Yield what is wrong with one fitted ball, by the second way."""
    setting = setting_for(fit.ball, machine)
    speed, spin = thrown(machine, setting)
    flown, tolerance, limits = landed(machine, setting), ball.tolerance, rim_limits(machine)
    assert ball.depth_cm is not None
    if not 0 < flown.depth_m < 1.37 or not flown.clearance_m > 0:
        yield f"does not land: {flown}"
    if abs(speed - ball.speed_mps) > tolerance.speed_mps + ROUND_MPS:
        yield f"{speed:.3f} m/s"
    if abs(spin - ball.spin_revps) > tolerance.spin_reach(ball.spin_revps) + ROUND_REVPS:
        yield f"{spin:.2f} rev/s"
    if abs(flown.depth_m - ball.depth_cm / 100) > tolerance.depth_cm / 100 + ROUND_M:
        yield f"{100 * flown.depth_m:.1f} cm deep"
    if (flown.own_half == 1) != (ball.arc == "serve-wise"):
        yield f"{flown.own_half} bounces on its own half"
    if fit.text:
        if flown.clearance_m < (0.05 if ball.arc == "serve-wise" else 0.08) - ROUND_M:
            yield f"{100 * flown.clearance_m:.1f} cm over the net"
        fastest = max(machine.top.rim_mps(setting.top_rpm), machine.bottom.rim_mps(setting.bottom_rpm))
        if fastest > limits.max_mps * (1 - machine.sag_share) + ROUND_MPS:
            yield f"rim {fastest:.3f} m/s leaves no margin"
        written = written_flight(ball)
        if ball.arc == "high" and (
            written is None or abs(flown.apex_m / written.apex_m - 1) > tolerance.apex_share + 0.01
        ):
            yield f"apex {100 * flown.apex_m:.0f} cm"


def main() -> int:
    """Fit the library to random machines and print what came of it; return 1 if anything is wrong."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--machines", type=int, default=500)
    parser.add_argument("--seed", type=int, default=1)
    args = parser.parse_args()
    rng, counts, faults = np.random.default_rng(args.seed), Counter[str](), 0
    start_s = time.process_time()
    for number in range(args.machines):
        machine = random_machine(rng)
        first = library_text(machine)
        if first != library_text(machine):
            faults += 1
            print(f"machine {number}: two fits differ")
        for ball in BALLS.values():
            if ball.side_revps:
                continue
            try:
                fit = fitted(ball, machine)
            except NotPossible:
                counts["not here"] += 1
                continue
            counts["fitted" if fit.text else "as written"] += 1
            for fault in faults_of(ball, fit, machine):
                faults += 1
                print(f"machine {number}, {ball.name} ({fit.text or 'as written'}): {fault}")
    took_s = time.process_time() - start_s
    told = ", ".join(f"{count} {kind}" for kind, count in sorted(counts.items()))
    print(f"{args.machines} machines, seed {args.seed}: {told}; {faults} faults; {took_s:.0f} s of CPU")
    return int(faults > 0)


if __name__ == "__main__":
    raise SystemExit(main())
