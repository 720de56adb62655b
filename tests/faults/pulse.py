"""`python -m tests.faults.pulse FILE`: a process that only sleeps, and writes down when it was woken late.

It tells how the machine itself did: a fault bench may blame a daemon only for what a sleeper would not have suffered.
"""

import json
import os
import sys
import time

SLEEP_S = 0.005
LATE_S = 0.010


def main() -> None:
    """Sleep to absolute deadlines while the bench lives; append one JSON line a late wake."""
    bench = os.getppid()
    with open(sys.argv[1], "ab", buffering=0) as file:  # noqa: PTH123
        due_s = time.monotonic()
        while os.getppid() == bench:
            due_s += SLEEP_S
            time.sleep(max(due_s - time.monotonic(), 0.0))
            now_s = time.monotonic()
            if now_s - due_s > LATE_S:
                told = {"t": round(now_s, 6), "event": "late_wake", "late_ms": round((now_s - due_s) * 1000, 1)}
                file.write(json.dumps(told).encode() + b"\n")
                due_s = now_s


if __name__ == "__main__":
    main()
