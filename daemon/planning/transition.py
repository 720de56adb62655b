"""How long the axes need from one ball's setting to the next one's: the slowest axis decides.

Rule of this file: the times use the same rates as the engine's ramp limiter, so that the limiter can keep
the plan.
"""

import math
from dataclasses import dataclass

from drillfeed.daemon.machine import Machine
from drillfeed.daemon.planning.setting import Setting
from drillfeed.daemon.wheel import Wheel
from drillfeed.protocol.texts.catalogue import text

CONTROL_GRID_S = 0.025
"""A change starts at the next tick of the daemon (20 ms), then of the driver (5 ms)."""


@dataclass(frozen=True)
class Transition:
    """The time to arrive and settle, and the slowest axis, also in words."""

    seconds: float
    axis: str
    text: str


def wheel_change_s(wheel: Wheel, start_rpm: float, end_rpm: float) -> float:
    """Return how long a wheel takes between two speeds in rpm, by ramp rates or by coasting.

    Coasting follows w(t) = (w0 + f) exp(-t/tau) - f, so t = tau ln((w0 + f)/(w1 + f)) (textbook).
    A change of direction passes through rest: down first, then up.
    """
    if start_rpm * end_rpm < 0:
        return wheel_change_s(wheel, start_rpm, 0.0) + wheel_change_s(wheel, 0.0, end_rpm)
    start, end = abs(start_rpm), abs(end_rpm)
    limits = wheel.limits()
    if end >= start:
        return (end - start) / limits.up_rpm_per_s
    if wheel.brake == "none":
        assert wheel.coast_time_constant_s is not None
        friction = wheel.coast_friction_rpm
        return wheel.coast_time_constant_s * math.log((start + friction) / (end + friction))
    return (start - end) / limits.down_rpm_per_s


def _wheel_part(machine: Machine, name: str, start: Setting, end: Setting) -> tuple[float, str]:
    wheel = machine.top if name == "top" else machine.bottom
    start_rpm = start.top_rpm if name == "top" else start.bottom_rpm
    end_rpm = end.top_rpm if name == "top" else end.bottom_rpm
    dip_rpm = start.top_dip_rpm if name == "top" else start.bottom_dip_rpm
    # The ball slows the wheel. On the way up the lost speed must be made up; on the way down it may not help, so the
    # longer time counts.
    dipped = math.copysign(max(abs(start_rpm) - dip_rpm, 0.0), start_rpm)
    seconds = max(wheel_change_s(wheel, start_rpm, end_rpm), wheel_change_s(wheel, dipped, end_rpm))
    if round(start_rpm) == round(end_rpm):
        return seconds, text("transition.recover", wheel=name, seconds=seconds)
    return seconds, text("transition.wheel", wheel=name, seconds=seconds, start_rpm=start_rpm, end_rpm=end_rpm)


def _angle_parts(machine: Machine, start: Setting, end: Setting) -> list[tuple[float, str]]:
    parts = []
    for name, axis in (("tilt", machine.tilt), ("pan", machine.pan), ("roll", machine.roll)):
        before, after = getattr(start, f"{name}_deg"), getattr(end, f"{name}_deg")
        if axis is not None and before is not None and after is not None and before != after:
            seconds = abs(after - before) / axis.slew_deg_per_s + machine.settling.tilt_s
            parts.append((seconds, text("transition.axis", axis=name, seconds=seconds, before=before, after=after)))
    return parts


def transition(machine: Machine, start: Setting, end: Setting) -> Transition:
    """Return the time from the moment a ball is out until the axes have settled for the next one."""
    wheels = [_wheel_part(machine, name, start, end) for name in ("top", "bottom")]
    parts = [(seconds + machine.settling.wheels_s, text) for seconds, text in wheels]
    parts += _angle_parts(machine, start, end)
    seconds, text = max(parts, key=lambda part: part[0])
    return Transition(seconds + CONTROL_GRID_S, text.split()[0], text)
