"""Does the driver that said hello fit the machine profile? Every difference is named, none is smoothed over."""

from drillfeed.daemon.machine import Machine
from drillfeed.protocol.link import ANGLES, WHEELS, AngleLimits, Axis, DriverHello, Limits, WheelLimits
from drillfeed.protocol.texts.catalogue import text

# Rates and ranges travel as decimal text; a difference below this share is none.
_SAME = 1e-6


def _up_to(driver: float, profile: float, what: str, unit: str) -> list[str]:
    if driver >= profile - abs(profile) * _SAME:
        return []
    return [text("misfit.up-to", what=what, driver=driver, unit=unit, profile=profile)]


def _down_to(driver: float, profile: float, what: str, unit: str) -> list[str]:
    if driver <= profile + abs(profile) * _SAME:
        return []
    return [text("misfit.down-to", what=what, driver=driver, unit=unit, profile=profile)]


def _wheel(axis: Axis, driver: WheelLimits, profile: WheelLimits) -> list[str]:
    return [
        *_up_to(driver.high_rpm, profile.high_rpm, text("misfit.highest-speed", axis=axis), "rpm"),
        *_down_to(driver.low_rpm, profile.low_rpm, text("misfit.lowest-speed", axis=axis), "rpm"),
        *_up_to(driver.up_rpm_per_s, profile.up_rpm_per_s, text("misfit.rate-up", axis=axis), "rpm/s"),
        *_up_to(driver.down_rpm_per_s, profile.down_rpm_per_s, text("misfit.rate-down", axis=axis), "rpm/s"),
        *_up_to(driver.quick_rpm_per_s, profile.quick_rpm_per_s, text("misfit.rate-of-stop", axis=axis), "rpm/s"),
    ]


def _angle(axis: Axis, driver: AngleLimits | None, profile: AngleLimits | None) -> list[str]:
    if profile is None:
        return []
    if driver is None:
        return [text("misfit.no-axis", axis=axis)]
    return [
        *_up_to(driver.high_deg, profile.high_deg, text("misfit.highest-angle", axis=axis), "degrees"),
        *_down_to(driver.low_deg, profile.low_deg, text("misfit.lowest-angle", axis=axis), "degrees"),
        *_up_to(driver.slew_deg_per_s, profile.slew_deg_per_s, text("misfit.rate", axis=axis), "degrees/s"),
    ]


def differences(hello: DriverHello, machine: Machine, limits: Limits) -> list[str]:
    """Return what keeps this driver from driving this machine, one line each; empty where it fits."""
    found: list[str] = []
    for axis in WHEELS:
        found += _wheel(axis, getattr(hello.limits, axis), getattr(limits, axis))
    for axis in ANGLES:
        found += _angle(axis, getattr(hello.limits, axis), getattr(limits, axis))
    wanted = {
        text("misfit.feedback"): ("measured" if machine.sensors.speed_feedback else "none", hello.feedback),
        text("misfit.stopping"): (
            "coast" if "none" in (machine.top.brake, machine.bottom.brake) else "brake",
            hello.stopping,
        ),
        text("misfit.exit-sensor"): (machine.sensors.exit_sensor, hello.exit_sensor),
        "agitator": (machine.hopper.agitator, hello.agitator),
    }
    found += [
        text("misfit.says", what=what, profile=_word(ours), driver=_word(theirs))
        for what, (ours, theirs) in wanted.items()
        if ours != theirs
    ]
    return found


def _word(value: bool | str) -> str:
    return {True: "yes", False: "no"}[value] if isinstance(value, bool) else value
