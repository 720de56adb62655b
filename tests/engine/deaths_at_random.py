"""`python -m tests.engine.deaths_at_random`: a wheel's motor dies at a random instant while balls are pushed.

    python -m tests.engine.deaths_at_random --times 500
    python -m tests.engine.deaths_at_random --times 100 --reading-ms 20 --seed 3

The shipped code on a virtual clock; each death in a copy of the process. The motor brakes as it dies, or lets its wheel
run free. Judged by what the wheels truly did: a ball must not be pushed while a wheel is out of band. What physics
leaves is counted: balls that were pushed before, or while the dead wheel was still in band, and left out of band.
"""

import argparse
import sys
from collections.abc import Sequence
from dataclasses import replace
from typing import Any

import numpy as np

from drillfeed.clients.drivers.faults import Fault, FaultTable
from drillfeed.clients.drivers.rules import band_rpm
from drillfeed.clients.drivers.simulated import STEP_S
from drillfeed.clients.drivers.wheels import law_of
from drillfeed.protocol.link import WHEELS, Axis
from tests.support.forked import in_a_copy
from tests.support.halls import WatchedHall, drill_plan, machine

MACHINES = ("club-build", "hall-roll")
WAYS = ("braking", "running free")
FOLLOWED_S = 4.0
A_ROUND_S = 10.0
NOISE_TAILS = 3.0
COAST_SHARE = 3.0


def kill(hall: WatchedHall, wheel: Axis, way: str) -> None:
    """Let a wheel's motor die now."""
    board = hall.hall.board
    if way == "running free":
        traits = board.traits.top if wheel == "top" else board.traits.bottom
        free = replace(traits, fall_rpm_per_s=None, coast_tau_s=traits.spin_down_s / COAST_SHARE)
        setattr(board, f"_{wheel}_law", law_of(free, STEP_S))
    channel: Any = f"{wheel}-drive"
    board._faults = FaultTable([Fault(channel, "off", 0.0)], np.random.default_rng(0))


def tell_the_truth(hall: WatchedHall) -> None:
    """Let the driver's log hold, beside each push, what the wheels truly do at that instant."""
    gate, board = hall.hall.core.gate, hall.hall.board
    note = gate._note

    def noted(event: str, t: float, /, **what: object) -> None:
        truth = {f"{wheel}_true_rpm": getattr(board, f"{wheel}_rpm") for wheel in WHEELS} if event == "feed" else {}
        note(event, t, **what, **truth)

    gate._note = noted


def slow_readings(hall: WatchedHall, every_s: float) -> None:
    """Let the board show its wheels every so often only, as one behind a slow line does."""
    board = hall.hall.board
    read, kept = board.read, []

    def seldom(now: float) -> Any:
        fresh = read(now)
        if not kept or now - kept[0][0] >= every_s - 1e-6:
            kept[:] = [(now, fresh)]
        return kept[0][1]

    board.read = seldom  # type: ignore[method-assign]


def judge(hall: WatchedHall, wheel: Axis, way: str) -> dict[str, Any]:
    """Let the wheel die now, and say what was pushed and what left after that."""
    died_s = hall.hall.driver_s
    kill(hall, wheel, way)
    hall.hall.run_for(FOLLOWED_S)
    on = hall.on.top if wheel == "top" else hall.on.bottom
    noise = NOISE_TAILS * hall.hall.board.traits.noise_share
    problems, still_in_band_ms, targets = [], [], {}
    for event in hall.feeds():
        target = event[f"{wheel}_target_rpm"]
        targets[event["id"]] = (event["t"], target)
        if event["t"] > died_s:
            true = event[f"{wheel}_true_rpm"]
            after_ms = (event["t"] - died_s) * 1000
            # The gate sees a wheel through its sensor's noise.
            if abs(true - target) > band_rpm(target, on.diameter_mm / 1000) + noise * abs(true):
                problems.append(f"pushed {after_ms:.0f} ms after the death at {true:.0f} rpm, target {target:.0f}")
            still_in_band_ms.append(after_ms)
    left_ms, off = [], []
    for event in hall.log:
        if event["event"] == "leaves" and event["t"] > died_s:
            pushed_s, target = targets[event["id"]]
            true = event[f"{wheel}_true_rpm"]
            if abs(true - target) > band_rpm(target, on.diameter_mm / 1000):
                left_ms.append((event["t"] - pushed_s) * 1000)
                off.append(abs(true - target) / abs(target))
    if hall.state not in ("QUICKSTOP", "FAULT", "PAUSED"):
        problems.append(f"{FOLLOWED_S:g} s later: {hall.state}")
    return {"problems": problems, "in_band_ms": still_in_band_ms, "left_ms": left_ms, "off": off}


def try_many(on: str, way: str, count: int, seed: int, reading_s: float = 0.0) -> list[dict[str, Any]]:
    """Run drills and let a wheel die at random instants of each; return what was seen at each."""
    rng = np.random.default_rng(seed)
    found: list[dict[str, Any]] = []
    while len(found) < count:
        hall = WatchedHall(machine(on), seed=int(rng.integers(2**31)))
        if reading_s:
            slow_readings(hall, reading_s)
        tell_the_truth(hall)
        hall.feeding(drill_plan(machine(on), sets=(40,)))
        start_s = hall.hall.now_s
        for at_s in np.sort(rng.uniform(0.0, A_ROUND_S, min(50, count - len(found)))):
            hall.hall.run_until(lambda until_s=start_s + at_s: hall.hall.now_s >= until_s, A_ROUND_S)  # type: ignore[misc]  # noqa: B023
            wheel: Axis = WHEELS[int(rng.integers(2))]
            found.append(in_a_copy(lambda hall=hall, wheel=wheel: judge(hall, wheel, way)))  # type: ignore[misc]
    return found


def summary(on: str, way: str, found: Sequence[dict[str, Any]]) -> str:
    """Return the figures as one line, with what was wrong below it."""
    bad = [trial for trial in found if trial["problems"]]
    in_band = [ms for trial in found for ms in trial.get("in_band_ms", ())]
    left = [ms for trial in found for ms in trial.get("left_ms", ())]
    off = [share for trial in found for share in trial.get("off", ())]
    line = (
        f"{on:<11} {way:<13} {len(found)} deaths, {len(bad)} wrong; {len(in_band)} pushed after it, the wheel still in "
        f"band, at most {max(in_band, default=0):.0f} ms after; {len(left)} left with the wheel out of band, pushed at "
        f"most {max(left, default=0):.0f} ms before, {np.median(off) * 100 if off else 0:.0f} % off as a rule, "
        f"{max(off, default=0) * 100:.0f} % at most"
    )
    return line + "".join(f"\n  {trial['wrong']}" for trial in bad[:5])


def main(argv: Sequence[str] | None = None) -> int:
    """Try, print the figures, and exit 0 only if nothing was wrong."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--times", type=int, default=500, help="over all machines and ways of dying")
    parser.add_argument(
        "--reading-ms", type=float, default=0.0, help="how often the board shows its wheels (each tick)"
    )
    parser.add_argument("--seed", type=int, default=1)
    args = parser.parse_args(argv)
    each = -(-args.times // (len(MACHINES) * len(WAYS)))
    failed = 0
    for n, on in enumerate(MACHINES):
        for way in WAYS:
            found = try_many(on, way, each, args.seed + n, args.reading_ms / 1000)
            failed += sum(bool(trial["problems"]) for trial in found)
            print(summary(on, way, found), flush=True)
    return 1 if failed else 0


if __name__ == "__main__":
    sys.exit(main())
