"""`python -m tests.faults.crowd ADDRESS [RATE] [HELD]`: one process, and connections from ever new addresses.

Each comes from another address of 127.0.0.0/8. A quarter says nothing, a quarter half a line, a quarter a whole one,
and a quarter what a browser says; none reads. It holds the newest `HELD` open and hangs up on the older ones. RATE is
in connections a second, 0 for as many as it can. Says `flooding` once it has got going, and each second how many it
opened.
"""

import contextlib
import os
import random
import resource
import socket
import sys
import time
from collections import deque

RATE_PER_S = 2500.0
HELD = 10_000
SPARE_FILES = 100
GOING_AFTER = 500
SAID = (b"", b"stat", b"status\n", b"GET / HTTP/1.1\r\n")


def stranger(address: tuple[str, int], rng: random.Random) -> socket.socket:
    """Begin a connection from an address of its own; raises OSError."""
    sock = socket.socket()
    sock.setblocking(False)
    try:
        sock.bind((f"127.{rng.randrange(1, 255)}.{rng.randrange(256)}.{rng.randrange(1, 255)}", 0))
        sock.connect_ex(address)
    except OSError:
        sock.close()
        raise
    return sock


def main() -> int:
    """Open connections until ended, or until who began it is gone."""
    host, _, port = sys.argv[1].rpartition(":")
    rate_per_s = float(sys.argv[2]) if len(sys.argv) > 2 else RATE_PER_S
    soft, _ = resource.getrlimit(resource.RLIMIT_NOFILE)
    most = min(int(sys.argv[3]) if len(sys.argv) > 3 else HELD, soft - SPARE_FILES)
    rng, held, opened, began_s = random.Random(1), deque[socket.socket](), 0, time.monotonic()
    told_s, bench = began_s, os.getppid()
    while os.getppid() == bench:
        with contextlib.suppress(OSError):
            sock = stranger((host, int(port)), rng)
            held.append(sock)
            opened += 1
            with contextlib.suppress(OSError):
                sock.send(SAID[opened % len(SAID)])
        if len(held) > most:
            held.popleft().close()
        now_s = time.monotonic()
        if opened == GOING_AFTER:
            print("flooding", flush=True)
        if now_s - told_s >= 1.0:
            told_s = now_s
            print(f"opened {opened} in {now_s - began_s:.1f} s", flush=True)
        if rate_per_s and (ahead_s := opened / rate_per_s - (now_s - began_s)) > 0.005:
            time.sleep(ahead_s)
    return 0


if __name__ == "__main__":
    sys.exit(main())
