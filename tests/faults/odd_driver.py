"""`python -m tests.faults.odd_driver KIND drive ...`: the shipped driver with a clock that strays, or that lies.

KIND: `drift` runs 300 ppm fast; `step` goes on 0.4 s further, 14 s after the start; `wall` lets time.time jump.
`rest`, `outputs`, `results`, `epoch`: from 14 s after the start on its statuses say what is not so.
"""

import itertools
import json
import sys
import time
from collections.abc import Callable
from typing import Any

DRIFT = 300e-6
STEP_S, STEP_AFTER_S = 0.4, 14.0


def _rest(told: dict[str, Any]) -> None:
    told["at_rest"] = True
    told["top"]["measured_rpm"] = 3000.0


def _outputs(told: dict[str, Any]) -> None:
    told["mode"], told["at_rest"] = "armed", True
    told["top"]["target_rpm"] = told["bottom"]["target_rpm"] = 3000.0


def _results(told: dict[str, Any]) -> None:
    told["feeds"] = [{"id": 10**6, "result": "done", "at_s": told["now_s"] + 60}]


def _epoch(told: dict[str, Any]) -> None:
    told["epoch"] = 2**53


LIES: dict[str, Callable[[dict[str, Any]], None]] = {
    "rest": _rest,
    "outputs": _outputs,
    "results": _results,
    "epoch": _epoch,
}


def lie(change: Callable[[dict[str, Any]], None], from_s: float) -> None:
    """Let each status of the shipped driver say what is not so, from a moment on."""
    from drillfeed.clients.drivers.report import Reporter

    honest = Reporter.status
    print(f"lies from {from_s:.3f}", flush=True)

    def status(self: Reporter, *what: Any) -> bytes:
        told = json.loads(honest(self, *what))
        if time.monotonic() > from_s:
            change(told)
        return json.dumps(told).encode()

    Reporter.status = status  # type: ignore[method-assign]


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
    elif kind in LIES:
        lie(LIES[kind], began_s + STEP_AFTER_S)
    from drillfeed.daemon.cli import main as command

    return command(arguments)


if __name__ == "__main__":
    sys.exit(main())
