"""The driver's outputs, each moved at a bounded rate, and what is known of the wheels: speeds, band, rest.

Rule of this file: an output changes only in `move`, by at most rate x dt, and dt counts for at most 50 ms.
"""

import math
from collections import deque
from collections.abc import Iterator
from typing import Literal

from drillfeed.clients.drivers.board import Board, DriverTraits, Reading
from drillfeed.clients.drivers.rules import angle_limits, ramped, ramped_wheel, rim_rpm
from drillfeed.protocol.link import ANGLES, BAND_MEDIAN_S, REST_RIM_MPS, AngleState, Axis, Limits, Setpoint, WheelState

DT_MAX_S = 0.050
Known = Literal["measured", "assumed", "unknown"]


class Outputs:
    """Ramped outputs of all axes, and the newest readings."""

    def __init__(self, traits: DriverTraits, now: float) -> None:
        """Begin with wheel outputs at zero and angles not known."""
        self.traits = traits
        self.top_rpm = 0.0
        self.bottom_rpm = 0.0
        self.angles_deg: dict[Axis, float] = {}
        self.last_turning_s = now
        self.reading = Reading()
        self._limited: dict[Axis, bool] = {}
        self._last_s: float | None = None
        self._seen: deque[tuple[float, float | None, float | None]] = deque()
        self._rest_top_rpm = rim_rpm(REST_RIM_MPS, traits.top_diameter_m)
        self._rest_bottom_rpm = rim_rpm(REST_RIM_MPS, traits.bottom_diameter_m)
        self.axes: tuple[Axis, ...] = tuple(axis for axis in ANGLES if angle_limits(traits.limits, axis) is not None)

    @property
    def turning(self) -> bool:
        """Tell whether a wheel output is not zero."""
        return self.top_rpm != 0.0 or self.bottom_rpm != 0.0

    def see(self, reading: Reading, now: float) -> None:
        """Keep a reading; a value that is not a number counts as not known."""
        self.reading = reading
        seen = self._seen
        seen.append((now, finite(reading.top_rpm), finite(reading.bottom_rpm)))
        while now - seen[0][0] > BAND_MEDIAN_S:
            seen.popleft()

    def recent_rpm(self, wheel: str, now: float) -> Iterator[float]:
        """Yield the known speeds of a wheel in the last 100 ms; nothing if the newest is not known."""
        column = 1 if wheel == "top" else 2
        if self._seen and self._seen[-1][column] is not None:
            for seen in self._seen:
                speed = seen[column]
                if speed is not None and now - seen[0] <= BAND_MEDIAN_S:
                    yield speed

    def at_rest(self, now: float) -> tuple[bool | None, Known]:
        """Tell whether both wheels are at rest, and how that is known; without feedback, only by time (L24)."""
        if self.traits.feedback == "none":
            if self.turning:
                return False, "assumed"
            waited = now - self.last_turning_s >= self.traits.spin_down_s
            return (True, "assumed") if waited else (None, "unknown")
        top, bottom = (self._seen[-1][1], self._seen[-1][2]) if self._seen else (None, None)
        if top is None or bottom is None:
            return None, "unknown"
        slow = abs(top) <= self._rest_top_rpm and abs(bottom) <= self._rest_bottom_rpm
        return slow and not self.turning, "measured"

    def take_over(self) -> bool:
        """Take the speed of turning wheels as output, to bring them down from there; tell whether any wheel turned."""
        top, bottom = (self._seen[-1][1], self._seen[-1][2]) if self._seen else (None, None)
        limits = self.traits.limits
        if top is not None and abs(top) > self._rest_top_rpm:
            self.top_rpm = min(max(top, limits.top.low_rpm), limits.top.high_rpm)
        if bottom is not None and abs(bottom) > self._rest_bottom_rpm:
            self.bottom_rpm = min(max(bottom, limits.bottom.low_rpm), limits.bottom.high_rpm)
        return self.turning

    def move(self, board: Board, limits: Limits, wanted: Setpoint | None, hold: bool, now: float) -> None:
        """Move the outputs towards `wanted`; without it hold them where they are, or let the wheels down quickly."""
        dt_s = 0.0 if self._last_s is None else min(max(now - self._last_s, 0.0), DT_MAX_S)
        self._last_s = now
        top, bottom = limits.top, limits.bottom
        if wanted is not None:
            goal, rate = wanted.top.rpm, wanted.top.ramp_rpm_per_s
            up, down = min(rate, top.up_rpm_per_s), min(rate, top.down_rpm_per_s)
            self.top_rpm = ramped_wheel(self.top_rpm, goal, up, down, dt_s)
            self._limited["top"] = self.top_rpm != goal and rate > (up if abs(goal) > abs(self.top_rpm) else down)
            goal, rate = wanted.bottom.rpm, wanted.bottom.ramp_rpm_per_s
            up, down = min(rate, bottom.up_rpm_per_s), min(rate, bottom.down_rpm_per_s)
            self.bottom_rpm = ramped_wheel(self.bottom_rpm, goal, up, down, dt_s)
            self._limited["bottom"] = self.bottom_rpm != goal and rate > (
                up if abs(goal) > abs(self.bottom_rpm) else down
            )
            self._move_angles(board, limits, wanted, dt_s)
        elif not hold and self.turning:
            self.top_rpm = ramped(self.top_rpm, 0.0, top.quick_rpm_per_s, dt_s)
            self.bottom_rpm = ramped(self.bottom_rpm, 0.0, bottom.quick_rpm_per_s, dt_s)
        if self.turning:
            self.last_turning_s = now
        board.set_wheel("top", self.top_rpm)
        board.set_wheel("bottom", self.bottom_rpm)

    def _move_angles(self, board: Board, limits: Limits, wanted: Setpoint, dt_s: float) -> None:
        for axis in self.axes:
            target = getattr(wanted, axis)
            reach = angle_limits(limits, axis)
            if target is None or reach is None:
                continue
            rate = min(target.slew_deg_per_s, reach.slew_deg_per_s)
            value = ramped(self._angle(axis, reach.low_deg), target.deg, rate, dt_s)
            self.angles_deg[axis] = value
            self._limited[axis] = value != target.deg and rate < target.slew_deg_per_s
            board.set_angle(axis, value)

    def _angle(self, axis: Axis, low_deg: float) -> float:
        """Return the output of an angle axis; before the first move, the measured angle or else the lower stop.

        A tilt by time may be anywhere then; it is taken to be at its upper end.
        """
        if axis in self.angles_deg:
            return self.angles_deg[axis]
        measured = self.measured_deg(axis)
        if measured is not None:
            return measured
        tilt = self.traits.limits.tilt
        return tilt.high_deg if axis == "tilt" and tilt and self.traits.tilt_by_time else low_deg

    def measured_deg(self, axis: Axis) -> float | None:
        """Return the measured angle of an axis; None if it is not measured."""
        return finite(getattr(self.reading, f"{axis}_deg"))

    def speeds(self, wanted: Setpoint | None) -> dict[str, object]:
        """Return the wheel fields of the log: output, target in force and measured speed, in rpm."""
        return {
            "top_out_rpm": round(self.top_rpm, 1),
            "bottom_out_rpm": round(self.bottom_rpm, 1),
            "top_target_rpm": None if wanted is None else wanted.top.rpm,
            "bottom_target_rpm": None if wanted is None else wanted.bottom.rpm,
            "top_rpm": _shown(self.reading.top_rpm),
            "bottom_rpm": _shown(self.reading.bottom_rpm),
        }

    def wheel_state(self, wheel: Axis) -> WheelState:
        """Return the fields of a wheel in the status."""
        top = wheel == "top"
        return WheelState(
            target_rpm=self.top_rpm if top else self.bottom_rpm,
            measured_rpm=finite(self.reading.top_rpm if top else self.reading.bottom_rpm),
            limited=self._limited.get(wheel, False),
        )

    def angle_state(self, axis: Axis) -> AngleState | None:
        """Return the fields of an angle axis in the status; None if the thrower has no such axis."""
        reach = angle_limits(self.traits.limits, axis)
        if reach is None:
            return None
        return AngleState(
            target_deg=self._angle(axis, reach.low_deg),
            measured_deg=self.measured_deg(axis),
            limited=self._limited.get(axis, False),
        )


def finite(value: float | None) -> float | None:
    """Return a reading, or None if it is missing, NaN or infinite."""
    return value if value is not None and math.isfinite(value) else None


def _shown(value: float | None) -> float | None:
    known = finite(value)
    return None if known is None else round(known, 1)
