"""Does a wheel do what it is driven to? How far, and for how long, its measured speed strays from the driver's output.

Rule of this file: a dip from a ball, or a lag in a ramp, is over in less than `ASTRAY_S`; what lasts longer is a fault.
"""

from dataclasses import dataclass, field

from drillfeed.daemon.machine import Machine
from drillfeed.protocol.link import WHEELS, Axis, Status

# Defaults of ours: five times the band within which a ball may enter, and half a second longer than a dip lasts.
ASTRAY_SHARE = 0.10
ASTRAY_RIM_MPS = 1.0
ASTRAY_S = 0.7


@dataclass
class WheelWatch:
    """Since when each wheel strays, and what it showed last."""

    machine: Machine
    since_s: dict[Axis, float] = field(default_factory=dict)
    shown: dict[Axis, tuple[float, float]] = field(default_factory=dict)

    def see(self, status: Status, now_s: float) -> None:
        """Take a status."""
        for axis in WHEELS:
            state = status.top if axis == "top" else status.bottom
            measured, driven = state.measured_rpm, state.target_rpm
            wheel = self.machine.top if axis == "top" else self.machine.bottom
            most = max(ASTRAY_SHARE * abs(driven), wheel.rpm(ASTRAY_RIM_MPS))
            if measured is None or abs(measured - driven) <= most:
                self.since_s.pop(axis, None)
            else:
                self.since_s.setdefault(axis, now_s)
                self.shown[axis] = measured, driven

    def astray(self, now_s: float) -> str | None:
        """Return which wheel strays, which way and for how long; None where none does."""
        for axis, since_s in self.since_s.items():
            if now_s - since_s > ASTRAY_S:
                measured, driven = self.shown[axis]
                way = "faster" if abs(measured) > abs(driven) else "slower"
                return (
                    f"{axis} wheel at {measured:,.0f} rpm, {way} than it is driven ({driven:,.0f} rpm) "
                    f"for {now_s - since_s:.1f} s"
                )
        return None
