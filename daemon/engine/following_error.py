"""The following error: how far, and for how long, what is measured of an axis is off what the driver puts out.

Rule of this file: a dip from a ball, or a lag in a ramp or turn, is over in less than `MAX_ERROR_S`; what lasts longer
is a fault. An axis without a sensor has no following error that anybody knows.
"""

from collections.abc import Iterator
from dataclasses import dataclass, field

from drillfeed.daemon.machine import Machine
from drillfeed.protocol.link import ANGLES, BAND_ANGLE_DEG, BAND_RIM_MPS, BAND_SHARE, WHEELS, Axis, Status
from drillfeed.protocol.texts.catalogue import text

# House values: so many times the band within which a ball may enter, and half a second longer than a dip lasts.
MAX_ERROR_SHARE = 5 * BAND_SHARE
MAX_ERROR_RIM_MPS = 10 * BAND_RIM_MPS
MAX_ERROR_DEG = 3 * BAND_ANGLE_DEG
MAX_ERROR_S = 0.7


@dataclass(frozen=True)
class _Shown:
    """What an axis showed: measured and driven, in rpm or degrees, and how far apart they may be."""

    measured: float | None
    driven: float
    tolerance: float


@dataclass
class FollowingError:
    """Since when each axis is off, and what it showed last."""

    machine: Machine
    since_s: dict[Axis, float] = field(default_factory=dict)
    shown: dict[Axis, _Shown] = field(default_factory=dict)

    def see(self, status: Status, now_s: float) -> None:
        """Take a status."""
        for axis, shown in self._axes(status):
            if shown.measured is None or abs(shown.measured - shown.driven) <= shown.tolerance:
                self.since_s.pop(axis, None)
            else:
                self.since_s.setdefault(axis, now_s)
                self.shown[axis] = shown

    def _axes(self, status: Status) -> Iterator[tuple[Axis, _Shown]]:
        for axis in WHEELS:
            speed = status.top if axis == "top" else status.bottom
            wheel = self.machine.top if axis == "top" else self.machine.bottom
            tolerance = max(MAX_ERROR_SHARE * abs(speed.target_rpm), wheel.rpm(MAX_ERROR_RIM_MPS))
            yield axis, _Shown(speed.measured_rpm, speed.target_rpm, tolerance)
        for axis in ANGLES:
            angle = getattr(status, axis)
            if angle is not None:
                yield axis, _Shown(angle.measured_deg, angle.target_deg, MAX_ERROR_DEG)

    def wheel(self, now_s: float) -> str | None:
        """Return which wheel is off its speed, which way and for how long; None if none is."""
        for axis, shown, for_s in self._lasting(now_s):
            if axis in WHEELS and shown.measured is not None:
                way = "faster" if abs(shown.measured) > abs(shown.driven) else "slower"
                return text(
                    "following.wheel", axis=axis, measured=shown.measured, way=way, driven=shown.driven, for_s=for_s
                )
        return None

    def angle(self, now_s: float) -> str | None:
        """Return which angle is off its target, how far and for how long; None if none is."""
        for axis, shown, for_s in self._lasting(now_s):
            if axis in ANGLES:
                return text("following.angle", axis=axis, measured=shown.measured, driven=shown.driven, for_s=for_s)
        return None

    def _lasting(self, now_s: float) -> Iterator[tuple[Axis, _Shown, float]]:
        for axis, since_s in self.since_s.items():
            if now_s - since_s > MAX_ERROR_S:
                yield axis, self.shown[axis], now_s - since_s
