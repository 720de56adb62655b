"""Does the driver that said hello fit the machine profile? Every difference is named, none is smoothed over."""

from drillfeed.daemon.machine import Machine
from drillfeed.protocol.link import ANGLES, WHEELS, AngleLimits, Axis, DriverHello, Limits, WheelLimits

# Rates and ranges travel as decimal text; a difference below this share is none.
_SAME = 1e-6


def _reaches(driver: float, profile: float, what: str) -> list[str]:
    if driver >= profile - abs(profile) * _SAME:
        return []
    return [f"{what}: the driver does {driver:g}, the profile needs {profile:g}"]


def _wheel(axis: Axis, driver: WheelLimits, profile: WheelLimits) -> list[str]:
    return [
        *_reaches(driver.high_rpm, profile.high_rpm, f"{axis} wheel, highest rpm"),
        *_reaches(-driver.low_rpm, -profile.low_rpm, f"{axis} wheel, lowest rpm (negated)"),
        *_reaches(driver.up_rpm_per_s, profile.up_rpm_per_s, f"{axis} wheel, rpm/s up"),
        *_reaches(driver.down_rpm_per_s, profile.down_rpm_per_s, f"{axis} wheel, rpm/s down"),
        *_reaches(driver.quick_rpm_per_s, profile.quick_rpm_per_s, f"{axis} wheel, rpm/s in a stop"),
    ]


def _angle(axis: Axis, driver: AngleLimits | None, profile: AngleLimits | None) -> list[str]:
    if profile is None:
        return []
    if driver is None:
        return [f"{axis}: the profile has this axis, the driver has not"]
    return [
        *_reaches(driver.high_deg, profile.high_deg, f"{axis}, highest degrees"),
        *_reaches(-driver.low_deg, -profile.low_deg, f"{axis}, lowest degrees (negated)"),
        *_reaches(driver.slew_deg_per_s, profile.slew_deg_per_s, f"{axis}, degrees/s"),
    ]


def differences(hello: DriverHello, machine: Machine, limits: Limits) -> list[str]:
    """Return what keeps this driver from driving this machine, one line each; empty where it fits."""
    found: list[str] = []
    for axis in WHEELS:
        found += _wheel(axis, getattr(hello.limits, axis), getattr(limits, axis))
    for axis in ANGLES:
        found += _angle(axis, getattr(hello.limits, axis), getattr(limits, axis))
    wanted = {
        "speed feedback": ("measured" if machine.sensors.speed_feedback else "none", hello.feedback),
        "way of stopping": (
            "coast" if "none" in (machine.top.brake, machine.bottom.brake) else "brake",
            hello.stopping,
        ),
        "exit sensor": (machine.sensors.exit_sensor, hello.exit_sensor),
        "agitator": (machine.hopper.agitator, hello.agitator),
    }
    found += [
        f"{what}: the profile says {ours}, the driver {theirs}"
        for what, (ours, theirs) in wanted.items()
        if ours != theirs
    ]
    return found
