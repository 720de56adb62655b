"""`python -m tests.faults.odd_driver KIND drive ...`: the shipped driver with a clock that strays.

KIND: `drift` runs 300 ppm fast; `step` goes on 0.4 s further, 14 s after the start; `wall` lets time.time jump.
"""

import itertools
import sys
import time

DRIFT = 300e-6
STEP_S, STEP_AFTER_S = 0.4, 14.0


def main() -> int:
    """Bend the clock, then run the command line that follows."""
    kind, arguments = sys.argv[1], sys.argv[2:]
    true, began_s = time.monotonic, time.monotonic()
    if kind == "drift":
        time.monotonic = lambda: true() + (true() - began_s) * DRIFT
    elif kind == "step":
        time.monotonic = lambda: true() + (STEP_S if true() - began_s > STEP_AFTER_S else 0.0)
    elif kind == "wall":
        hours = itertools.cycle((3600.0, -3600.0))
        wall = time.time
        time.time = lambda: wall() + next(hours)
    from drillfeed.daemon.cli import main as command

    return command(arguments)


if __name__ == "__main__":
    sys.exit(main())
