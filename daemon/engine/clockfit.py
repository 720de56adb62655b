"""The driver's clock seen from here: pings in, a line out, and how far off it may be.

Each answer to a ping gives an offset (driver minus daemon) that is wrong by at most half its round trip.
Of the last 64 the quarter with the lowest round trips is kept, and a line is fitted through it by least
squares (textbook).
"""

import math
from collections import deque
from dataclasses import dataclass, replace

KEPT = 64
MIN_PINGS = 4
MIN_SPAN_S = 2.0
MAX_DRIFT = 500e-6


@dataclass(frozen=True)
class Sample:
    """One answered ping: the daemon's time half-way, the offset, the round trip; in seconds."""

    at_s: float
    offset_s: float
    round_trip_s: float


@dataclass(frozen=True)
class ClockLine:
    """driver = daemon + offset + drift (daemon - at); `error_s` bounds how wrong that may be."""

    at_s: float
    offset_s: float
    drift: float
    error_s: float

    def to_driver(self, daemon_s: float) -> float:
        """Return the driver's time at a time of the daemon."""
        return daemon_s + self.offset_s + self.drift * (daemon_s - self.at_s)

    def to_daemon(self, driver_s: float) -> float:
        """Return the daemon's time at a time of the driver."""
        return self.at_s + (driver_s - self.at_s - self.offset_s) / (1 + self.drift)


def fit(samples: list[Sample]) -> ClockLine | None:
    """Return the line through the quickest quarter of the samples, or None while there are too few."""
    if len(samples) < MIN_PINGS:
        return None
    quick = sorted(samples, key=lambda sample: sample.round_trip_s)[: max(MIN_PINGS, len(samples) // 4)]
    middle_s = sum(sample.at_s for sample in quick) / len(quick)
    offset_s = sum(sample.offset_s for sample in quick) / len(quick)
    spread = sum((sample.at_s - middle_s) ** 2 for sample in quick)
    span_s = max(sample.at_s for sample in quick) - min(sample.at_s for sample in quick)
    slope = 0.0
    if span_s >= MIN_SPAN_S:
        slope = sum((sample.at_s - middle_s) * (sample.offset_s - offset_s) for sample in quick) / spread
    drift = min(max(slope, -MAX_DRIFT), MAX_DRIFT)
    misses = [sample.offset_s - offset_s - drift * (sample.at_s - middle_s) for sample in quick]
    # A slope that no two clocks have tells of delays, not of clocks: then only what all answers bracket is a bound.
    error_s = quick[0].round_trip_s / 2 + max(map(abs, misses)) if drift == slope else math.inf
    line = ClockLine(middle_s, offset_s, drift, error_s)
    return replace(line, error_s=min(error_s, _bracket_s(samples, line)))


def _bracket_s(samples: list[Sample], line: ClockLine) -> float:
    """Return how far off the line may be by what all answers say together; infinite where they contradict each other.

    Each answer puts the truth within half its round trip of its own offset, and within what two clocks may drift
    apart since: one that went out quickly bounds it from one side, one that came back quickly from the other. Many
    answers on a link of jitter leave little between.
    """
    newest_s = max(sample.at_s for sample in samples)
    bounds = [
        (
            sample.offset_s - line.offset_s - line.drift * (sample.at_s - line.at_s),
            # The line's drift may be wrong by as much as both of its bounds together.
            sample.round_trip_s / 2 + 2 * MAX_DRIFT * (newest_s - sample.at_s),
        )
        for sample in samples
    ]
    low_s = max(miss - reach for miss, reach in bounds)
    high_s = min(miss + reach for miss, reach in bounds)
    return max(abs(low_s), abs(high_s)) if low_s <= high_s else math.inf


class ClockFit:
    """The running estimate: remembers pings on their way, the last answers, and the line through them."""

    def __init__(self, first_n: int = 0) -> None:
        self._sent: dict[int, float] = {}
        self._samples: deque[Sample] = deque(maxlen=KEPT)
        self._next = first_n
        self.line: ClockLine | None = None

    @property
    def settled(self) -> bool:
        """Tell whether there are enough answers to slow down."""
        return len(self._samples) >= 2 * MIN_PINGS

    def anew(self) -> "ClockFit":
        """Return an empty estimate for another driver; its pings have numbers that no old answer has."""
        return ClockFit(self._next)

    def ping(self, now_s: float) -> int:
        """Note that a ping leaves now, and return its number."""
        n, self._next = self._next, self._next + 1
        self._sent[n] = now_s
        if len(self._sent) > KEPT:
            del self._sent[next(iter(self._sent))]
        return n

    def pong(self, n: int, driver_s: float, now_s: float) -> None:
        """Take the answer to ping `n`; an unknown or doubled number is passed over."""
        sent_s = self._sent.pop(n, None)
        if sent_s is None or now_s < sent_s:
            return
        middle_s = (sent_s + now_s) / 2
        self._samples.append(Sample(middle_s, driver_s - middle_s, now_s - sent_s))
        self.line = fit(list(self._samples))
