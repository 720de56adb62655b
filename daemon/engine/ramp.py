"""The ramp limiter: the last thing before the wire. Nothing reaches a wheel that has not passed here.

Rule of this file: trust nothing. A time step that is zero, negative, huge or not a number, a target that is
not a number, an old value that is not a number: each has one bounded answer, and NaN means stop.
"""

import math
from bisect import bisect_right
from collections import deque
from collections.abc import Mapping
from dataclasses import dataclass

from drillfeed.protocol.link import TICK_S, Axis

LONGEST_STEP_S = 0.1
KEPT_S = 1.0


@dataclass(frozen=True)
class AxisRule:
    """Range and rates of one axis, in its own unit (rpm or degrees) and per second.

    `up` is away from zero, `down` towards it, `quick` towards it in a stop. With `coast_tau_s` the axis can't
    brake: it falls as w(t) = (w0 + f) exp(-t/tau) - f and no faster. An angle has `down` = `up` = `quick`
    and is not `to_zero`: NaN holds it where it is.
    """

    low: float
    high: float
    up: float
    down: float
    quick: float
    to_zero: bool = True
    coast_tau_s: float | None = None
    coast_friction: float = 0.0


def _finite_step(dt_s: float) -> float:
    return min(max(dt_s, 0.0), LONGEST_STEP_S) if math.isfinite(dt_s) else 0.0


def _toward_zero(size: float, wanted: float, dt_s: float, rule: AxisRule, quick: bool) -> float:
    if rule.coast_tau_s is not None:
        coasted = (size + rule.coast_friction) * math.exp(-dt_s / rule.coast_tau_s) - rule.coast_friction
        return max(wanted, coasted, 0.0)
    return max(wanted, size - (rule.quick if quick else rule.down) * dt_s, 0.0)


def limited(previous: float, target: float, dt_s: float, rule: AxisRule, quick: bool = False) -> float:
    """Return the next output of one axis: towards `target`, within range and rates, whatever comes in."""
    before = min(max(previous, rule.low), rule.high) if math.isfinite(previous) else (0.0 if rule.to_zero else rule.low)
    dt_s = _finite_step(dt_s)
    if not math.isfinite(target):
        target = 0.0 if rule.to_zero else before
    target = min(max(target, rule.low), rule.high)
    if not rule.to_zero:
        return min(max(target, before - rule.down * dt_s), before + rule.up * dt_s)
    if before * target < 0:
        target = 0.0  # a change of direction passes through rest
    sign = math.copysign(1.0, before if before != 0 else target)
    size, wanted = abs(before), abs(target)
    if wanted >= size:
        return sign * min(wanted, size + rule.up * dt_s)
    return sign * _toward_zero(size, wanted, dt_s, rule, quick)


class RampLimiter:
    """All axes together, with the last second of output by `at`, so that a new epoch goes on without a step."""

    def __init__(self, rules: Mapping[Axis, AxisRule]) -> None:
        self._rules = dict(rules)
        self._at_s: float | None = None
        self._values: dict[Axis, float] = {axis: 0.0 if rule.to_zero else rule.low for axis, rule in rules.items()}
        self._kept: deque[tuple[float, dict[Axis, float]]] = deque()

    @property
    def values(self) -> Mapping[Axis, float]:
        """Return the newest output."""
        return self._values

    def allow(self, rules: Mapping[Axis, AxisRule]) -> None:
        """Put other rules in place for the same axes; called at rest, where no new range cuts an output short."""
        self._rules = dict(rules)

    def seed(self, values: Mapping[Axis, float]) -> None:
        """Begin anew from what was measured (or is assumed): at arming and after each fault."""
        for axis, value in values.items():
            rule = self._rules.get(axis)
            if rule is not None and math.isfinite(value):
                self._values[axis] = min(max(value, rule.low), rule.high)
        self._at_s = None
        self._kept.clear()

    def value_at(self, at_s: float) -> dict[Axis, float]:
        """Return the output that is in force at a moment of the last second."""
        place = bisect_right(self._kept, at_s, key=lambda entry: entry[0])
        if place:
            return dict(self._kept[place - 1][1])
        return dict(self._kept[0][1]) if self._kept else dict(self._values)

    def restart(self, now_s: float, first_at_s: float) -> None:
        """Go on, for a new epoch, from the output in force at `now_s`; its first step ends at `first_at_s`."""
        self._values = self.value_at(now_s)
        while self._kept and self._kept[-1][0] > now_s:
            self._kept.pop()
        self._at_s = first_at_s - TICK_S

    def step(self, at_s: float, targets: Mapping[Axis, float | None], quick: bool = False) -> dict[Axis, float]:
        """Return the output at `at_s`; a target of None holds the axis."""
        dt_s = TICK_S if self._at_s is None else at_s - self._at_s
        for axis, rule in self._rules.items():
            before = self._values[axis]
            wanted = targets.get(axis)
            self._values[axis] = limited(before, before if wanted is None else wanted, dt_s, rule, quick)
        if self._at_s is None or at_s > self._at_s:
            self._at_s = at_s
            self._kept.append((at_s, dict(self._values)))
            while self._kept[0][0] < at_s - KEPT_S:
                self._kept.popleft()
        return dict(self._values)
