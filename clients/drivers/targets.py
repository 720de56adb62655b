"""Setpoints in time: each takes effect at its `at_s` and stays until its `until_s` or until the next takes effect.

Rule of this file: from its own `at_s` on, a later message replaces earlier ones.
"""

from bisect import bisect_left
from dataclasses import dataclass, field

from drillfeed.protocol.link import Setpoint


@dataclass(slots=True)
class TargetQueue:
    """The setpoints that wait, by `at_s`, and the one in force."""

    in_force: Setpoint | None = None
    _waiting: list[Setpoint] = field(default_factory=list)
    _moments: list[float] = field(default_factory=list)

    def add(self, message: Setpoint) -> None:
        """Let a setpoint wait for its moment; drop those that would take effect with it or after it."""
        cut = bisect_left(self._moments, message.at_s)
        del self._waiting[cut:], self._moments[cut:]
        self._waiting.append(message)
        self._moments.append(message.at_s)

    def empty(self) -> None:
        """Drop what waits; the target in force stays until its `until_s`."""
        self._waiting.clear()
        self._moments.clear()

    def drop(self) -> None:
        """Drop what waits and the target in force."""
        self.empty()
        self.in_force = None

    def advance(self, now: float) -> Setpoint | None:
        """Return the target in force at `now`; None if there is none or it has expired."""
        due = 0
        while due < len(self._moments) and self._moments[due] <= now:
            due += 1
        if due:
            self.in_force = self._waiting[due - 1]
            del self._waiting[:due], self._moments[:due]
        if self.in_force is not None and now > self.in_force.until_s:
            self.in_force = None
        return self.in_force

    def __len__(self) -> int:
        return len(self._waiting)
