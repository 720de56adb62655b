"""How long it takes to fit a library of ball types, against aim: `python -m tests.bench.fitting`.

Times are of the processor, best of some repeats. Nothing is kept from before but the heights of high balls, which are
the same on every machine. One aim is what `drillfeed aim` does for the balls that the machine throws: it names no arc.
Types beyond their tolerance count too, but not the text of their refusal, which looks for the nearest ball of all.
"""

import time
from dataclasses import replace

from drillfeed.daemon.aim.aiming import aim, ways
from drillfeed.daemon.aim.thrower import thrower_of
from drillfeed.daemon.drills.balls import BallType
from drillfeed.daemon.library.loading import load_balls, load_machine
from drillfeed.daemon.machine import Machine
from drillfeed.daemon.planning.fitting import _fit, _with_margin, fitted
from drillfeed.daemon.planning.setting import NotPossible, request_for

REPEATS = 7
LIBRARY = 25


def one_aim_s(machine: Machine, balls: list[BallType]) -> float:
    """Return the mean time of one aim in seconds, over balls as the machine throws them."""
    thrower, times = thrower_of(machine), []
    asked = [replace(request_for(ball, thrower, ball.depth_cm or 100.0), arc=None) for ball in balls]
    for _ in range(REPEATS):
        ways.cache_clear()
        start_s = time.process_time()
        for request in asked:
            aim(thrower, request)
        times.append((time.process_time() - start_s) / len(asked))
    return min(times)


def library_s(machine: Machine, balls: list[BallType]) -> float:
    """Return the time to fit all balls in seconds; those beyond their tolerance count too, but not their refusals."""
    thrower, times = _with_margin(machine), []
    for _ in range(REPEATS):
        ways.cache_clear()
        _fit.cache_clear()
        start_s = time.process_time()
        for ball in balls:
            _fit(ball, thrower)
        times.append(time.process_time() - start_s)
    return min(times)


def main() -> None:
    """Print the ratio for each machine; it should stay under the number of types."""
    for name in ("shed-build", "kit-build", "club-build"):
        machine = load_machine(name)
        library = [ball for ball in load_balls().values() if not ball.side_revps][:LIBRARY]
        thrown, bent = [], 0
        for ball in library:
            try:
                found = fitted(ball, machine)
            except NotPossible:
                continue
            bent += bool(found.text)
            thrown.append(found.ball)
        one_s, all_s = one_aim_s(machine, thrown), library_s(machine, library)
        print(
            f"{name}: {len(library)} types ({len(thrown) - bent} as written, {bent} fitted) in {1e3 * all_s:.0f} ms, "
            f"{all_s / one_s:.1f} times one aim of {1e3 * one_s:.1f} ms (aim: under {len(library)})"
        )


if __name__ == "__main__":
    main()
