"""`python -m tests.faults.pulse FILE`: a process that only sleeps and talks to itself, and writes down what came late.

It tells how the machine itself did: its waking, and its loopback. A fault bench may blame a daemon only for what a
sleeper would not have suffered.
"""

import json
import os
import select
import socket
import sys
import time
from contextlib import ExitStack
from typing import BinaryIO

SLEEP_S = 0.005
LATE_S = 0.010


def loopback(ends: ExitStack) -> tuple[socket.socket, socket.socket]:
    """Return both ends of a TCP connection of this process to itself."""
    with socket.create_server(("127.0.0.1", 0)) as server:
        near = ends.enter_context(socket.create_connection(server.getsockname()))
        far = ends.enter_context(server.accept()[0])
    near.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
    return near, far


def tell(file: BinaryIO, event: str, now_s: float, late_s: float) -> None:
    """Write down what came late."""
    if late_s > LATE_S:
        told = {"t": round(now_s, 6), "event": event, "late_ms": round(late_s * 1000, 1)}
        file.write(json.dumps(told).encode() + b"\n")


def main() -> None:
    """Sleep to absolute deadlines while the bench lives, a byte on its way; append one JSON line a lateness."""
    bench = os.getppid()
    with ExitStack() as ends:
        file = ends.enter_context(open(sys.argv[1], "ab", buffering=0))  # noqa: PTH123
        near, far = loopback(ends)
        sent_s: float | None = None
        due_s = time.monotonic()
        while os.getppid() == bench:
            due_s += SLEEP_S
            while (left_s := due_s - time.monotonic()) > 0:
                if select.select([far], [], [], left_s)[0]:
                    far.recv(1)
                    now_s = time.monotonic()
                    tell(file, "late_loopback", now_s, 0.0 if sent_s is None else now_s - sent_s)
                    sent_s = None
            now_s = time.monotonic()
            tell(file, "late_wake", now_s, now_s - due_s)
            due_s = max(due_s, now_s - LATE_S)
            if sent_s is None:
                sent_s = time.monotonic()
                near.send(b".")


if __name__ == "__main__":
    main()
