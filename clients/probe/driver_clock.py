"""The driver's clock, estimated from pings and pongs."""

import zlib
from collections import deque

PING_SERIES, PINGS_IN_SERIES = 2**20, 2**20
CLOCK_SAMPLES = 10
PINGS_AWAITED = 64


class DriverClock:
    """How far the driver's clock is ahead of ours, by the quickest of the last round trips."""

    def __init__(self, name: str) -> None:
        """Begin with nothing known; `name` makes the numbers of this run's pings differ from other runs.

        Pongs for an earlier run may still be under way: they must not match the numbers of this run.
        """
        self._number = zlib.crc32(name.encode()) % PING_SERIES * PINGS_IN_SERIES
        self._pinged: dict[int, float] = {}
        self._offsets: deque[tuple[float, float]] = deque(maxlen=CLOCK_SAMPLES)

    def next_ping(self, now: float) -> int:
        """Return the number of a ping that is sent now."""
        self._number += 1
        self._pinged[self._number] = now
        if len(self._pinged) > PINGS_AWAITED:
            del self._pinged[min(self._pinged)]
        return self._number

    def pong(self, n: int, told_s: float, now: float) -> float | None:
        """Take the pong to ping `n`; return its round trip in seconds, None if that ping is not awaited."""
        if n not in self._pinged:
            return None
        sent_s = self._pinged.pop(n)
        self._offsets.append((now - sent_s, told_s - (now + sent_s) / 2))
        return now - sent_s

    def forget_pings(self) -> None:
        """Await none of the pings that are under way."""
        self._pinged.clear()

    @property
    def is_known(self) -> bool:
        """Tell whether a pong has come."""
        return bool(self._offsets)

    @property
    def ahead_s(self) -> float:
        """Return how far the driver's clock is ahead of ours, in seconds; it must be known."""
        return min(self._offsets)[1]

    @property
    def error_s(self) -> float:
        """Return how far the estimate may be off: half the quickest round trip; infinity before the first pong."""
        return min(self._offsets)[0] / 2 if self._offsets else float("inf")
