"""The starting points of checks (disarmed at rest, armed at rest, turning slowly), and what statuses show of motion.

Rule of this file: it uses only what every driver must do. If the driver does not do it, it says so and stops.
"""

from collections.abc import Sequence
from dataclasses import replace
from itertools import pairwise

from drillfeed.clients.probe.bench import Bench, SetpointRequest
from drillfeed.clients.probe.steps import Asked, Fails, NotReached, Pause
from drillfeed.protocol.link import TICK_S, AngleLimits, Status, WheelLimits

READ_S = 0.060
SLACK_S = 0.035
ARM_S = 1.0
KNOWN_S = 2.5
LOW_SHARE = 0.15
RPM_MIN = 400.0
RATE_SLACK = 1.05
STEP_SLACK_S = 0.055
STEPS_MIN = 4


def wheels(bench: Bench) -> tuple[WheelLimits, WheelLimits]:
    """Return the limits of both wheels as the driver declared them."""
    limits = bench.driver_hello.limits
    return limits.top, limits.bottom


def low_rpm(bench: Bench) -> float:
    """Return the low speed for checks: 15 % of the slower wheel's highest, or the lowest speed if that is more."""
    both = wheels(bench)
    slowest = max(LOW_SHARE * min(wheel.high_rpm for wheel in both), RPM_MIN)
    return min(max(slowest, *(wheel.low_rpm for wheel in both)), *(wheel.high_rpm for wheel in both))


def up_rate(bench: Bench) -> float:
    """Return the lower of the two wheels' rates upwards."""
    return min(wheel.up_rpm_per_s for wheel in wheels(bench))


def quick_rate(bench: Bench) -> float:
    """Return the higher of the two wheels' rates of a quick stop."""
    return max(wheel.quick_rpm_per_s for wheel in wheels(bench))


def blind(bench: Bench) -> bool:
    """Tell whether this driver measures no wheel speeds."""
    return bench.driver_hello.feedback == "none"


def tilt_limits(bench: Bench) -> AngleLimits | None:
    """Return the limits of the tilt axis, if there is one."""
    return bench.driver_hello.limits.tilt


def stop_time_s(bench: Bench) -> float:
    """Return how long a whole stop may take: the fall, then one and a half times the spin-down time, and a second."""
    both = wheels(bench)
    fall_s = max(wheel.high_rpm / wheel.quick_rpm_per_s for wheel in both)
    return fall_s + 1.5 * bench.driver_hello.spin_down_s + 1.0


def read(bench: Bench) -> Pause:
    """Wait until the driver must have read what was sent and a status must have come after it."""
    yield from bench.wait(READ_S)


def shown(bench: Bench, mode: str, max_s: float) -> Asked:
    """Wait for a mode; return whether it came."""
    return (yield from bench.until(lambda: bench.status.mode == mode, max_s))


def known(bench: Bench) -> Pause:
    """Learn the driver's hello and its clock, if an earlier check has not done so."""
    bench.pinging = True
    if not (yield from bench.until(lambda: bench.hello is not None and bench.clock.error_s < 1, KNOWN_S)):
        raise NotReached(f"{'no hello' if bench.hello is None else 'no pong'} came within {KNOWN_S:g} s")


def calm(bench: Bench) -> Pause:
    """Bring the driver to disarmed and at rest, in a session with agreed limits, with nothing asked for."""
    bench.held = None
    yield from known(bench)
    if bench.silent_s > 0.5:
        raise NotReached(f"the driver is silent: no status for {bench.silent_s:.1f} s")
    if bench.session is None or bench.status.session != bench.session or bench.status.limits_hash is None:
        bench.adopt(bench.new_session())
        yield from read(bench)
    bench.requested = None
    bench.new_epoch()
    bench.send(bench.order("stop"))
    yield from read(bench)
    if bench.status.mode in ("stopping", "armed"):
        yield from bench.until(lambda: bench.status.mode in ("disarmed", "tripped"), stop_time_s(bench))
    if bench.status.mode == "tripped":
        yield from bench.until(lambda: bench.status.at_rest is True, stop_time_s(bench))
        bench.new_epoch()
        bench.send(bench.order("clear"))
        yield from read(bench)
    if bench.status.mode != "disarmed":
        raise NotReached(f"mode is {bench.status.mode} ({bench.status.mode_reason}) after stop and clear")
    if not (yield from bench.until(lambda: bench.status.at_rest is True, stop_time_s(bench))):
        raise NotReached(f"disarmed, but at_rest is not true within {stop_time_s(bench):.0f} s")


def rest_and_stream(bench: Bench) -> Pause:
    """Bring the driver to disarmed and at rest, with setpoints for standstill each 20 ms, the newest one accepted."""
    yield from known(bench)
    if bench.silent_s > 0.5 or bench.session is None or bench.status.mode != "disarmed":
        yield from calm(bench)
    if bench.status.session != bench.session:
        bench.adopt(bench.new_session())
        yield from read(bench)
    bench.requested = SetpointRequest()
    yield from read(bench)
    yield from read(bench)


def armed(bench: Bench) -> Pause:
    """Bring the driver to armed at rest, with setpoints for standstill each 20 ms."""
    yield from calm(bench)
    bench.new_epoch()
    bench.requested = SetpointRequest()
    yield from read(bench)
    bench.send(bench.order("arm"))
    if not (yield from shown(bench, "armed", ARM_S)):
        raise NotReached(f"it does not arm: mode {bench.status.mode}, reason {bench.status.mode_reason}")


def turning(bench: Bench, rpm: float | None = None) -> Pause:
    """Arm and turn both wheels at a low speed, feed closed; do nothing if they turn so already."""
    goal = low_rpm(bench) if rpm is None else rpm
    if bench.silent_s > 0.5 or bench.status.mode != "armed" or bench.requested is None:
        yield from armed(bench)
    rate = up_rate(bench)
    bench.requested = SetpointRequest(goal, goal, ramp_rpm_per_s=rate)
    max_s = 2.0 + max(wheel.high_rpm for wheel in wheels(bench)) / rate
    if not (yield from bench.until(lambda: outputs(bench.status) == (goal, goal), max_s)):
        raise NotReached(f"outputs are {outputs(bench.status)} rpm, not {goal:.0f}, after {max_s:.1f} s")
    yield from bench.wait(0.3)


def outputs(status: Status) -> tuple[float, float]:
    """Return the ramped outputs of both wheels, in rpm."""
    return status.top.target_rpm, status.bottom.target_rpm


def highest(statuses: Sequence[Status]) -> float:
    """Return the highest output of either wheel in some statuses, by amount, in rpm."""
    return max((abs(rpm) for status in statuses for rpm in outputs(status)), default=0.0)


def steps(statuses: Sequence[Status]) -> list[tuple[float, float, float]]:
    """Return (moment, time passed, change of the faster-changing output) between statuses, on the driver's clock."""
    found = []
    for earlier, later in pairwise(statuses):
        change = max((b - a for a, b in zip(outputs(earlier), outputs(later), strict=True)), key=abs)
        found.append((later.now_s, later.now_s - earlier.now_s, change))
    return found


def fastest(statuses: Sequence[Status]) -> float:
    """Return the highest rate of change that the statuses prove, in rpm/s.

    A status sent between two ticks shows the output of the tick before it, and a late tick counts up to 50 ms (L25).
    So a change may have taken that much more time than the time between the two statuses.
    """
    return max((abs(change) / (max(dt_s, 0.0) + STEP_SLACK_S) for _, dt_s, change in steps(statuses)), default=0.0)


def keep_rate(statuses: Sequence[Status], rate: float, word: str) -> str:
    """Return the rate that was kept; raise Fails if outputs moved faster than asked or much slower."""
    quick = fastest(statuses)
    if quick > rate * RATE_SLACK:
        raise Fails(f"outputs {word} at {quick:.0f} rpm/s or more between two statuses; at most {rate:.0f}")
    moved = [(at_s, change) for at_s, _, change in steps(statuses) if change != 0]
    whole = abs(sum(change for _, change in moved))
    if len(moved) < STEPS_MIN:
        took_s = sum(dt_s for _, dt_s, change in steps(statuses) if change != 0)
        if whole > rate * (took_s + TICK_S):
            raise Fails(f"outputs {word} by {whole:.0f} rpm within {len(moved)} statuses; at most {rate:.0f} rpm/s")
        return f"{whole:.0f} rpm within {len(moved)} statuses: too quick to measure further"
    # The motion began and ended within the first and last step, so only the whole steps between them count.
    kept = abs(sum(change for _, change in moved[1:-1])) / max(moved[-2][0] - moved[0][0], TICK_S)
    if not 0.8 * rate <= kept <= rate * RATE_SLACK + 1:
        raise Fails(f"outputs {word} at {kept:.0f} rpm/s; {rate:.0f} was asked for")
    return f"{kept:.0f} rpm/s of {rate:.0f}"


def still(bench: Bench, **changes: object) -> SetpointRequest:
    """Return the current request, with some fields replaced."""
    return replace(bench.requested or SetpointRequest(), **changes)  # type: ignore[arg-type]
