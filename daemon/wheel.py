"""One driven wheel of a machine profile: its size, its limits, how it comes down.

Rule of this file: a wheel is given by its diameter in mm, and its rates at the rim in m/s^2. Speeds inside drillfeed
are rpm of the wheel; `rim_mps` and `rpm` convert.
"""

import math
from typing import Annotated, Literal

from pydantic import Field, model_validator

from drillfeed.daemon.validation import Table
from drillfeed.protocol.link import WheelLimits
from drillfeed.protocol.texts.catalogue import text

MIN_COAST_SHARE = 0.1  # of the time constant that a wheel coasts: below it the fall is a straight line (dry friction)


class Wheel(Table):
    """One driven wheel. Speed limits are those of the wheel, or of the motor with `gear_ratio`."""

    diameter_mm: Annotated[float, Field(ge=20, le=300, description="of the wheel over its tyre: diameter, not radius")]
    low_rpm: Annotated[float | None, Field(ge=0)] = None
    high_rpm: Annotated[float | None, Field(gt=0, le=30_000)] = None
    motor_low_rpm: Annotated[float | None, Field(ge=0)] = None
    motor_high_rpm: Annotated[float | None, Field(gt=0, le=100_000)] = None
    gear_ratio: Annotated[float | None, Field(gt=0, le=100, description="turns of the wheel for one of the motor")] = (
        None
    )
    reverse: bool = False
    up_mps2: Annotated[float, Field(gt=0, le=500)]
    down_mps2: Annotated[float | None, Field(gt=0, le=500)] = None
    quick_mps2: Annotated[float | None, Field(gt=0, le=500)] = None
    brake: Literal["yes", "none"]
    coast_time_constant_s: Annotated[float | None, Field(gt=0, le=60)] = None
    spin_down_s: Annotated[float, Field(gt=0, le=300, description="from the highest speed to rest, coasting")]
    inertia_kg_m2: Annotated[float, Field(gt=0, le=0.1)] = 1e-4
    min_share: Annotated[
        float, Field(ge=0, le=1, description="of the fast wheel's rim speed, that the slow one must keep to grip")
    ] = 0.10
    sag_share: Annotated[
        float | None, Field(ge=0, le=0.5, description="of the high limit, that is lost as the battery runs down")
    ] = None

    @model_validator(mode="after")
    def _agree(self) -> "Wheel":
        of_wheel = self.high_rpm is not None
        of_motor = self.motor_high_rpm is not None
        if of_wheel == of_motor:
            raise ValueError(text("machine.high-rpm"))
        if of_motor and self.gear_ratio is None:
            raise ValueError(text("machine.gear-ratio"))
        if self.lowest_rpm >= self.highest_rpm:
            raise ValueError(text("machine.low-above-high"))
        if self.brake == "yes" and (self.down_mps2 is None or self.quick_mps2 is None):
            raise ValueError(text("machine.brake-rates"))
        if self.brake == "none":
            if self.coast_time_constant_s is None:
                raise ValueError(text("machine.coasting"))
            if self.down_mps2 is not None or self.quick_mps2 is not None:
                raise ValueError(text("machine.no-brake-rates"))
            if self.spin_down_s < MIN_COAST_SHARE * self.coast_time_constant_s:
                raise ValueError(text("machine.spin-down"))
        return self

    @property
    def circumference_m(self) -> float:
        """Return the circumference of the rim in metres."""
        return math.pi * self.diameter_mm / 1000

    @property
    def highest_rpm(self) -> float:
        """Return the high limit in wheel rpm."""
        return self._of_wheel(self.high_rpm, self.motor_high_rpm)

    @property
    def lowest_rpm(self) -> float:
        """Return the lowest running speed in wheel rpm (standing still is always possible)."""
        return self._of_wheel(self.low_rpm, self.motor_low_rpm)

    def _of_wheel(self, wheel_rpm: float | None, motor_rpm: float | None) -> float:
        if wheel_rpm is not None:
            return wheel_rpm
        return (motor_rpm or 0.0) * (self.gear_ratio or 1.0)

    def rim_mps(self, rpm: float) -> float:
        """Return the rim speed in m/s at a wheel speed in rpm."""
        return rpm / 60 * self.circumference_m

    def rpm(self, rim_mps: float) -> float:
        """Return the wheel speed in rpm at a rim speed in m/s."""
        return rim_mps / self.circumference_m * 60

    @property
    def coast_friction_rpm(self) -> float:
        """Return f in dw/dt = -(w + f)/tau, such that a coasting wheel is at rest after `spin_down_s`.

        A viscous part (tau) and a dry part (f): w(t) = (w0 + f) exp(-t/tau) - f. Textbook.
        """
        if self.coast_time_constant_s is None:
            return 0.0
        return self.highest_rpm / math.expm1(self.spin_down_s / self.coast_time_constant_s)

    def limits(self) -> WheelLimits:
        """Return this wheel's limits for the link. If it coasts, the rates are the steepest part of the coast curve."""
        up = self.rpm(self.up_mps2)
        if self.brake == "none":
            assert self.coast_time_constant_s is not None
            fall = (self.highest_rpm + self.coast_friction_rpm) / self.coast_time_constant_s
            down, quick = fall, fall
        else:
            assert self.down_mps2 is not None and self.quick_mps2 is not None
            down, quick = self.rpm(self.down_mps2), self.rpm(self.quick_mps2)
        return WheelLimits(
            low_rpm=-self.highest_rpm if self.reverse else 0.0,
            high_rpm=self.highest_rpm,
            up_rpm_per_s=up,
            down_rpm_per_s=down,
            quick_rpm_per_s=quick,
        )
