"""From targets to setpoints: the rules of each axis, the limiter, and whether the axes have arrived."""

from typing import Any

from drillfeed.daemon.engine.ramp import AxisRule, RampLimiter
from drillfeed.daemon.engine.timeline import Targets
from drillfeed.daemon.machine import Machine
from drillfeed.daemon.planning.setting import Setting
from drillfeed.daemon.wheel import Wheel
from drillfeed.protocol.link import (
    ANGLES,
    BAND_ANGLE_DEG,
    BAND_RIM_MPS,
    BAND_SHARE,
    AngleLimits,
    AngleTarget,
    Axis,
    Limits,
    Setpoint,
    Status,
    WheelLimits,
    WheelState,
    WheelTarget,
)
from drillfeed.protocol.texts.catalogue import text

ARRIVED_DEG = BAND_ANGLE_DEG / 2  # well inside what the driver's gate allows


def _wheel_rule(wheel: Wheel, limits: WheelLimits, max_rim_mps: float | None) -> AxisRule:
    max_rpm = float("inf") if max_rim_mps is None else wheel.rpm(max_rim_mps)
    return AxisRule(
        low=max(limits.low_rpm, -max_rpm),
        high=min(limits.high_rpm, max_rpm),
        up=limits.up_rpm_per_s,
        down=limits.down_rpm_per_s,
        quick=limits.quick_rpm_per_s,
        coast_tau_s=wheel.coast_time_constant_s if wheel.brake == "none" else None,
        coast_friction=wheel.coast_friction_rpm if wheel.brake == "none" else 0.0,
    )


def _angle_rule(limits: AngleLimits) -> AxisRule:
    slew = limits.slew_deg_per_s
    return AxisRule(low=limits.low_deg, high=limits.high_deg, up=slew, down=slew, quick=slew, to_zero=False)


class Axes:
    """The thrower's axes behind the limiter."""

    def __init__(self, machine: Machine, limits: Limits) -> None:
        self._machine, self._limits = machine, limits
        self._angles = {axis: reach for axis in ANGLES if (reach := getattr(limits, axis)) is not None}
        self.limiter = RampLimiter(self._rules(None))

    def _rules(self, max_rim_mps: float | None) -> dict[Axis, AxisRule]:
        machine, limits = self._machine, self._limits
        return {
            "top": _wheel_rule(machine.top, limits.top, max_rim_mps),
            "bottom": _wheel_rule(machine.bottom, limits.bottom, max_rim_mps),
            **{axis: _angle_rule(reach) for axis, reach in self._angles.items()},
        }

    def cap_rims(self, max_mps: float | None) -> None:
        """Let no rim pass so many m/s, nor what the machine does; None leaves the machine alone. Only at rest."""
        self.limiter.allow(self._rules(max_mps))

    def seed(self, status: Status) -> None:
        """Seed the limiter from what was measured; without feedback wheels from 0, angles from the driver's belief."""
        values: dict[Axis, float] = {
            "top": status.top.measured_rpm if status.top.measured_rpm is not None else 0.0,
            "bottom": status.bottom.measured_rpm if status.bottom.measured_rpm is not None else 0.0,
        }
        for axis in self._angles:
            known = getattr(status, axis)
            if known is not None:
                values[axis] = known.measured_deg if known.measured_deg is not None else known.target_deg
        self.limiter.seed(values)

    def now_at(self) -> Setting:
        """Return where the limiter's newest output stands, as a setting."""
        values = self.limiter.values
        return Setting(values["top"], values["bottom"], values["tilt"], values.get("pan"), values.get("roll"))

    def setpoint(self, limiter_at_s: float, targets: Targets, quick: bool, **message: Any) -> Setpoint:
        """Return the setpoint whose targets have passed the limiter for the daemon's time `limiter_at_s`."""
        before = dict(self.limiter.values)
        values = self.limiter.step(limiter_at_s, targets, quick)

        def wheel(axis: Axis, limits: WheelLimits) -> WheelTarget:
            rising = abs(values[axis]) > abs(before[axis])
            fall = limits.quick_rpm_per_s if quick else limits.down_rpm_per_s
            return WheelTarget(rpm=values[axis], ramp_rpm_per_s=limits.up_rpm_per_s if rising else fall)

        angles: dict[str, Any] = {
            axis: AngleTarget(deg=values[axis], slew_deg_per_s=reach.slew_deg_per_s)
            for axis, reach in self._angles.items()
        }
        return Setpoint(
            top=wheel("top", self._limits.top), bottom=wheel("bottom", self._limits.bottom), **angles, **message
        )

    def arrives(self, setting: Setting, at_s: float) -> bool:
        """Tell whether the limiter's output stands at `setting` so early that the axes have settled by `at_s`.

        `at_s` is the daemon's time. This is what a thrower without speed feedback goes by: assumed, not measured.
        """
        settling = self._machine.settling
        wheels = self.limiter.value_at(at_s - settling.wheels_s)
        angles = self.limiter.value_at(at_s - settling.tilt_s)
        for value, asked, wheel in (
            (wheels["top"], setting.top_rpm, self._machine.top),
            (wheels["bottom"], setting.bottom_rpm, self._machine.bottom),
        ):
            if abs(value - asked) > max(BAND_SHARE * abs(asked), wheel.rpm(BAND_RIM_MPS)):
                return False
        for axis in self._angles:
            asked_deg = getattr(setting, f"{axis}_deg")
            if asked_deg is not None and abs(angles[axis] - asked_deg) > ARRIVED_DEG:
                return False
        return True

    def away(self, setting: Setting, measured: tuple[float | None, float | None], status: Status) -> str | None:
        """Return which axis is not at `setting`, or None.

        `measured` is the median of each wheel; the newest speed must be in band as well. Where nothing is measured the
        driver's output counts.
        """
        wheels = (("top", setting.top_rpm, measured[0]), ("bottom", setting.bottom_rpm, measured[1]))
        for name, asked, seen in wheels:
            wheel = self._machine.top if name == "top" else self._machine.bottom
            shown: WheelState = getattr(status, name)
            newest = shown.target_rpm if shown.measured_rpm is None else shown.measured_rpm
            band = max(BAND_SHARE * abs(asked), wheel.rpm(BAND_RIM_MPS))
            for found in (newest if seen is None else seen, newest):
                if abs(found - asked) > band:
                    return text("away.wheel", wheel=name, found=found, asked=asked)
        for axis in self._angles:
            asked_deg, known = getattr(setting, f"{axis}_deg"), getattr(status, axis)
            if asked_deg is None or known is None:
                continue
            found = known.measured_deg if known.measured_deg is not None else known.target_deg
            if abs(found - asked_deg) > ARRIVED_DEG:
                return text("away.angle", axis=axis, found=found, asked_deg=asked_deg)
        return None
