"""The link's rules that need no memory: whether a message is acceptable, whether a wheel is in band.

Rule of this file: pure functions; a rule returns None if it holds, otherwise the reason in one line.
Clause numbers are those of LINK.md.
"""

import math
from collections.abc import Iterable
from statistics import median

from drillfeed.protocol.link import (
    ANGLES,
    BAND_ANGLE_DEG,
    BAND_RIM_MPS,
    BAND_SHARE,
    TICK_S,
    WATCHDOG_FEED_S,
    WATCHDOG_STOP_S,
    WHEELS,
    AngleLimits,
    Axis,
    DaemonHello,
    Limits,
    Setpoint,
    WheelLimits,
)

AHEAD_MAX_S = 2.0
STAY_MAX_S = 1.0
FEEDS_MAX = 8


def wheel_limits(limits: Limits, wheel: Axis) -> WheelLimits:
    """Return the limits of wheel `top` or `bottom`."""
    return limits.top if wheel == "top" else limits.bottom


def angle_limits(limits: Limits, axis: Axis) -> AngleLimits | None:
    """Return the limits of axis `tilt`, `pan` or `roll`; None if there is no such axis."""
    if axis == "tilt":
        return limits.tilt
    return limits.pan if axis == "pan" else limits.roll


def setpoint_error(message: Setpoint, limits: Limits, now: float) -> str | None:
    """Return what is wrong with the numbers of a setpoint (clause L8); one bad number makes the whole message bad."""
    for wheel, target, bound in (
        ("top", message.top, limits.top),
        ("bottom", message.bottom, limits.bottom),
    ):
        if target.rpm != 0 and not bound.low_rpm <= target.rpm <= bound.high_rpm:
            return f"{wheel}.rpm {target.rpm:g} is outside {bound.low_rpm:g}..{bound.high_rpm:g}"
    for axis in ANGLES:
        turn = getattr(message, axis)
        if turn is None:
            continue
        reach = angle_limits(limits, axis)
        if reach is None:
            return f"{axis}: this thrower has no such axis"
        if not reach.low_deg <= turn.deg <= reach.high_deg:
            return f"{axis}.deg {turn.deg:g} is outside {reach.low_deg:g}..{reach.high_deg:g}"
    if not 0 < message.until_s - message.at_s <= STAY_MAX_S:
        return (
            f"until_s is {message.until_s - message.at_s:.3f} s after at_s; expected above 0 and at most {STAY_MAX_S:g}"
        )
    if message.at_s - now > AHEAD_MAX_S:
        return f"at_s is {message.at_s - now:.3f} s ahead; expected at most {AHEAD_MAX_S:g}"
    if len(message.feeds) > FEEDS_MAX:
        return f"{len(message.feeds)} feeds; expected at most {FEEDS_MAX}"
    for feed in message.feeds:
        if feed.at_s - now > AHEAD_MAX_S:
            return f"feed {feed.id} is {feed.at_s - now:.3f} s ahead; expected at most {AHEAD_MAX_S:g}"
    return None


def hello_error(message: DaemonHello) -> str | None:
    """Return what is wrong with the watchdog times of a daemon's hello (clause L4); they may only be shorter."""
    feed_s, stop_s = message.watchdog_feed_ms / 1000, message.watchdog_stop_ms / 1000
    if not 2 * TICK_S <= feed_s <= WATCHDOG_FEED_S:
        return f"watchdog_feed_ms {feed_s * 1000:g}; expected {2000 * TICK_S:g} to {1000 * WATCHDOG_FEED_S:g}"
    if not feed_s <= stop_s <= WATCHDOG_STOP_S:
        return f"watchdog_stop_ms {stop_s * 1000:g}; expected watchdog_feed_ms to {1000 * WATCHDOG_STOP_S:g}"
    return None


def limits_beyond(wanted: Limits, own: Limits) -> str | None:
    """Return all limits of a daemon that go beyond the driver's own (clause L5)."""
    found: list[str] = []
    for wheel in WHEELS:
        theirs, ours = wheel_limits(wanted, wheel), wheel_limits(own, wheel)
        if theirs.low_rpm < ours.low_rpm or theirs.high_rpm > ours.high_rpm:
            here = f"{ours.low_rpm:g}..{ours.high_rpm:g}"
            found.append(f"{wheel}: {theirs.low_rpm:g}..{theirs.high_rpm:g} rpm; here {here}")
        for rate in ("up_rpm_per_s", "down_rpm_per_s", "quick_rpm_per_s"):
            if getattr(theirs, rate) > getattr(ours, rate):
                found.append(f"{wheel}.{rate} {getattr(theirs, rate):g}; here at most {getattr(ours, rate):g}")
    for axis in ANGLES:
        reach, here_reach = angle_limits(wanted, axis), angle_limits(own, axis)
        if reach is None:
            continue
        if here_reach is None:
            found.append(f"{axis}: this thrower has no such axis")
            continue
        if reach.low_deg < here_reach.low_deg or reach.high_deg > here_reach.high_deg:
            here = f"{here_reach.low_deg:g}..{here_reach.high_deg:g}"
            found.append(f"{axis}: {reach.low_deg:g}..{reach.high_deg:g} deg; here {here}")
        if reach.slew_deg_per_s > here_reach.slew_deg_per_s:
            found.append(f"{axis}.slew_deg_per_s {reach.slew_deg_per_s:g}; here at most {here_reach.slew_deg_per_s:g}")
    return "; ".join(found) or None


def rim_rpm(rim_mps: float, diameter_m: float) -> float:
    """Return the wheel speed in rpm at which the rim of a wheel of `diameter_m` runs at `rim_mps`."""
    return rim_mps * 60 / (math.pi * diameter_m)


def band_rpm(target_rpm: float, diameter_m: float) -> float:
    """Return how far from its target a wheel may be and still count as in band, in rpm."""
    return max(BAND_SHARE * abs(target_rpm), rim_rpm(BAND_RIM_MPS, diameter_m))


def out_of_band(wheel: str, measured_rpm: Iterable[float], target_rpm: float, diameter_m: float) -> str | None:
    """Return why a wheel is not in band (clause L17): the median of its speeds over the last 100 ms, or the newest.

    The median alone would stay in band for 50 ms after a wheel died; the newest alone would pass on one lucky reading.
    """
    speeds = list(measured_rpm)
    if not speeds:
        return f"{wheel} wheel: speed not known"
    allowed = band_rpm(target_rpm, diameter_m)
    for speed, when in ((median(speeds), ""), (speeds[-1], " just now")):
        if abs(speed - target_rpm) > allowed:
            return f"{wheel} wheel at {speed:.0f} rpm{when}, target {target_rpm:.0f} +- {allowed:.0f}"
    return None


def out_of_place(axis: Axis, measured_deg: float | None, target_deg: float) -> str | None:
    """Return why an angle is not at its target (clause L17); an angle that is not measured is assumed to be there."""
    if measured_deg is None or abs(measured_deg - target_deg) <= BAND_ANGLE_DEG:
        return None
    return f"{axis} at {measured_deg:.1f} degrees, target {target_deg:.1f} +- {BAND_ANGLE_DEG:g}"


def ramped(value: float, goal: float, rate_per_s: float, dt_s: float) -> float:
    """Return `value` moved towards `goal` by at most `rate_per_s` x `dt_s`."""
    max_change = rate_per_s * dt_s
    if goal > value:
        return min(goal, value + max_change)
    return max(goal, value - max_change)


def ramped_wheel(value: float, goal: float, up_per_s: float, down_per_s: float, dt_s: float) -> float:
    """Return a wheel speed moved towards `goal`, with separate rates up and down; a reversal goes to 0 first."""
    if value * goal < 0:
        return ramped(value, 0.0, down_per_s, dt_s)
    return ramped(value, goal, up_per_s if abs(goal) > abs(value) else down_per_s, dt_s)
