"""Faults to inject into a simulated thrower: what a channel shows or does instead of the truth, and when.

    top=stuck@12-15        the top wheel's measured speed is stuck from 12 s to 15 s after the start
    bottom-drive=off@20    the bottom motor is dead from 20 s on
    feeder=delayed:0.3     each push comes 0.3 s late

Rule of this file: channels are distorted only here; a channel without a fault is left as it is.
"""

import re
from collections import deque
from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Literal, get_args

import numpy as np

Channel = Literal[
    "top", "bottom", "tilt", "exits", "supply", "hopper", "top-drive", "bottom-drive", "tilt-drive", "feeder"
]
FaultKind = Literal["ok", "off", "stuck", "garbage", "wrong", "slow", "delayed", "intermittent", "fixed"]
AMOUNTS: dict[FaultKind, float] = {
    "ok": 0.0,
    "off": 0.0,
    "stuck": 0.0,
    "garbage": 1e9,
    "wrong": 1.5,
    "slow": 1.0,
    "delayed": 0.5,
    "intermittent": 0.5,
    "fixed": 0.0,
}
_FORM = re.compile(r"([a-z-]+)=([a-z]+)(?::([0-9.]+))?(?:@([0-9.]+)(?:-([0-9.]+))?)?")


@dataclass(frozen=True, slots=True)
class Fault:
    """One channel distorted in one way from `from_s` until `until_s` after the start.

    `amount`: the factor of `wrong`, the time constant of `slow` and the delay of `delayed` in seconds, the size of
    `garbage`, the share of the time that `intermittent` is gone, the value that `fixed` shows instead.
    """

    channel: Channel
    kind: FaultKind
    amount: float
    from_s: float = 0.0
    until_s: float = float("inf")


def parse_fault(text: str) -> Fault:
    """Parse CHANNEL=KIND[:AMOUNT][@FROM[-UNTIL]]; raise ValueError that names what is allowed."""
    found = _FORM.fullmatch(text)
    if found is None:
        raise ValueError(f"{text!r}: expected CHANNEL=KIND[:AMOUNT][@FROM[-UNTIL]], for example top=stuck@12-15")
    channel, kind, amount, from_s, until_s = found.groups()
    for channel_known in get_args(Channel):
        for kind_known in get_args(FaultKind):
            if (channel, kind) == (channel_known, kind_known):
                return Fault(
                    channel_known,
                    kind_known,
                    AMOUNTS[kind_known] if amount is None else float(amount),
                    float(from_s or 0),
                    float("inf") if until_s is None else float(until_s),
                )
    raise ValueError(
        f"{text!r}: channels are {', '.join(get_args(Channel))}; kinds are {', '.join(get_args(FaultKind))}"
    )


@dataclass(slots=True)
class _Memory:
    stuck: float | None = None
    slow: float | None = None
    slow_s: float = 0.0
    past: deque[tuple[float, float]] = field(default_factory=deque)


class FaultTable:
    """The faults of one run. Times are seconds since its start; random values come from `rng`."""

    def __init__(self, faults: Sequence[Fault], rng: np.random.Generator) -> None:
        """Begin with all channels undistorted."""
        self._faults = tuple(fault for fault in faults if fault.kind != "ok")
        self._memory: dict[Fault, _Memory] = {fault: _Memory() for fault in self._faults}
        self._rng = rng
        self.none = not self._faults

    def active(self, channel: Channel, now_s: float) -> Fault | None:
        """Return the fault of a channel at `now_s`; the first listed wins."""
        for fault in self._faults:
            if fault.channel == channel and fault.from_s <= now_s < fault.until_s:
                return fault
        return None

    def bent(self, channel: Channel, value: float, now_s: float) -> float | None:
        """Return what a channel of numbers shows or does instead of `value`; None if nothing at all."""
        if self.none:
            return value
        for fault in self._faults:
            if fault.channel == channel and fault.kind == "delayed":
                self._memory[fault].past.append((now_s, value))
        now_bent = self.active(channel, now_s)
        return value if now_bent is None else self._bend(now_bent, value, now_s)

    def _bend(self, fault: Fault, value: float, now_s: float) -> float | None:
        memory = self._memory[fault]
        if fault.kind == "off":
            return None
        if fault.kind == "fixed":
            return fault.amount
        if fault.kind == "wrong":
            return value * fault.amount
        if fault.kind == "intermittent":
            return None if self._rng.random() < fault.amount else value
        if fault.kind == "garbage":
            return float("nan") if self._rng.random() < 0.5 else float(self._rng.uniform(-1, 1)) * fault.amount
        if fault.kind == "stuck":
            memory.stuck = value if memory.stuck is None else memory.stuck
            return memory.stuck
        if fault.kind == "slow":
            return _lagging(memory, value, fault.amount, now_s)
        while len(memory.past) > 1 and memory.past[1][0] <= now_s - fault.amount:
            memory.past.popleft()
        return memory.past[0][1]


def _lagging(memory: _Memory, value: float, tau_s: float, now_s: float) -> float:
    if memory.slow is None:
        memory.slow = value
    share = 1.0 if tau_s <= 0 else -np.expm1(-(now_s - memory.slow_s) / tau_s)
    memory.slow += float(share) * (value - memory.slow)
    memory.slow_s = now_s
    return memory.slow
