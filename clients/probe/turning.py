"""Checks with the wheels turning slowly: times, ramps, expiry, epochs."""

from itertools import pairwise

from drillfeed.clients.probe.bench import Bench, SetpointRequest
from drillfeed.clients.probe.check import Check
from drillfeed.clients.probe.standing import (
    RATE_SLACK,
    SLACK_S,
    STEP_SLACK_S,
    armed,
    blind,
    calm,
    highest,
    keep_rate,
    low_rpm,
    outputs,
    rest_and_stream,
    tilt_limits,
    turning,
    up_rate,
    wheels,
)
from drillfeed.clients.probe.steps import Fails, NotKnown, Steps
from drillfeed.protocol.link import LEAD_S

MORE = 1.6
BAND_SHARE = 0.05
BAND_RPM = 60.0


def more_rpm(bench: Bench) -> float:
    """Return a speed above the low one."""
    return min(low_rpm(bench) * MORE, *(wheel.high_rpm for wheel in wheels(bench)))


def only_armed(bench: Bench) -> Steps:
    """Ask for wheel speeds while disarmed."""
    yield from calm(bench)
    yield from rest_and_stream(bench)
    mark, rpm = bench.now, low_rpm(bench)
    bench.requested = SetpointRequest(rpm, rpm, ramp_rpm_per_s=up_rate(bench))
    yield from bench.wait(LEAD_S + 0.3)
    bench.requested = None
    if highest(bench.since(mark)) > 0:
        raise Fails(f"outputs at {highest(bench.since(mark)):.0f} rpm in mode {bench.status.mode}")
    return "outputs stay at 0"


def at_its_time(bench: Bench) -> Steps:
    """Ask for a low speed 300 ms ahead, at half of the driver's own rate."""
    yield from armed(bench)
    mark, rpm, rate = bench.now, low_rpm(bench), up_rate(bench) / 2
    at_s = bench.driver_s() + LEAD_S
    bench.requested = SetpointRequest(rpm, rpm, ramp_rpm_per_s=rate)
    yield from bench.until(lambda: outputs(bench.status) == (rpm, rpm), LEAD_S + rpm / rate * 2 + 0.5)
    first = next((status for status in bench.since(mark) if highest([status]) > 0), None)
    if first is None:
        raise Fails("outputs stay at 0")
    off_s = first.now_s - at_s
    if not -SLACK_S - bench.clock.error_s <= off_s <= 0.02 + SLACK_S + bench.clock.error_s:
        raise Fails(f"outputs begin to move {off_s * 1000:+.0f} ms from the at_s of their setpoint")
    return f"outputs begin to move {off_s * 1000:+.0f} ms from at_s"


def ramp(bench: Bench) -> Steps:
    """Rise from rest to a low speed at half of the driver's own rate."""
    yield from armed(bench)
    mark, rpm, rate = bench.now, low_rpm(bench), up_rate(bench) / 2
    bench.requested = SetpointRequest(rpm, rpm, ramp_rpm_per_s=rate)
    there = yield from bench.until(lambda: outputs(bench.status) == (rpm, rpm), LEAD_S + rpm / rate * 2 + 0.5)
    kept = keep_rate(bench.since(mark), rate, "rise")
    if not there:
        raise Fails(f"outputs end at {outputs(bench.status)} rpm; {rpm:.0f} was asked for")
    return kept


def reaches(bench: Bench) -> Steps:
    """Hold a low speed for a second and compare with what is measured."""
    yield from turning(bench)
    if blind(bench):
        raise NotKnown("cannot be checked without feedback: measure the wheel with a tachometer at this speed")
    yield from bench.wait(1.0)
    rpm, status = low_rpm(bench), bench.status
    for name, wheel in (("top", status.top), ("bottom", status.bottom)):
        if wheel.measured_rpm is None:
            raise Fails(f"{name}: measured_rpm is absent, faults {status.faults}")
        if abs(wheel.measured_rpm - rpm) > max(BAND_SHARE * rpm, BAND_RPM):
            raise Fails(
                f"{name} measures {wheel.measured_rpm:.0f} rpm at an output of {rpm:.0f}; is it rpm of the wheel?"
            )
    return f"measured {status.top.measured_rpm:.0f} / {status.bottom.measured_rpm:.0f} of {rpm:.0f} rpm"


def own_ramp(bench: Bench) -> Steps:
    """Ask for more, then for less, at a ramp of 1e9."""
    yield from turning(bench)
    words = []
    for goal, word, rate in (
        (more_rpm(bench), "rise", up_rate(bench)),
        (low_rpm(bench), "fall", min(wheel.down_rpm_per_s for wheel in wheels(bench))),
    ):
        mark = bench.now
        bench.requested = SetpointRequest(goal, goal, ramp_rpm_per_s=1e9)
        yield from bench.until(lambda goal=goal: outputs(bench.status) == (goal, goal), 3.0)  # type: ignore[misc]
        told = bench.since(mark)
        name = "up_rpm_per_s" if word == "rise" else "down_rpm_per_s"
        if rate == max(getattr(wheel, name) for wheel in wheels(bench)):
            words.append(f"{word}: {keep_rate(told, rate, word)}")
        moving = [
            status
            for status in told
            if outputs(status) != (goal, goal) and status.top.target_rpm != told[0].top.target_rpm
        ]
        if moving and not any(status.top.limited or status.bottom.limited for status in moving):
            raise Fails(f"outputs {word} at the driver's own rate, but `limited` is false")
    return ", ".join(words)


def next_wins(bench: Bench) -> Steps:
    """Queue a higher speed for later, then a setpoint for an earlier moment that stays low."""
    yield from turning(bench)
    low, mark = low_rpm(bench), bench.now
    bench.requested = None
    bench.send(bench.setpoint(still_low(bench, more_rpm(bench), lead_s=0.25)))
    bench.send(bench.setpoint(still_low(bench, low, lead_s=0.15)))
    yield from bench.wait(0.30)
    bench.requested = still_low(bench, low)
    yield from bench.wait(0.15)
    if highest(bench.since(mark)) > low:
        raise Fails(f"a replaced setpoint took the outputs to {highest(bench.since(mark)):.0f} rpm")
    return "the later setpoint holds"


def still_low(bench: Bench, rpm: float, lead_s: float = LEAD_S) -> SetpointRequest:
    """Return a request for both wheels at `rpm`, with the feed closed."""
    return SetpointRequest(rpm, rpm, ramp_rpm_per_s=up_rate(bench), lead_s=lead_s)


def epoch_drops(bench: Bench) -> Steps:
    """Queue a higher speed, then begin a new epoch before its moment."""
    yield from turning(bench)
    low, mark = low_rpm(bench), bench.now
    bench.requested = None
    bench.send(bench.setpoint(still_low(bench, more_rpm(bench), lead_s=0.20)))
    yield from bench.wait(0.04)
    bench.new_epoch()
    bench.send(bench.setpoint(still_low(bench, low, lead_s=0.26)))
    yield from bench.wait(0.24)
    bench.requested = still_low(bench, low)
    yield from bench.wait(0.1)
    if highest(bench.since(mark)) > low:
        raise Fails(f"a setpoint of the previous epoch took the outputs to {highest(bench.since(mark)):.0f} rpm")
    if bench.status.epoch != bench.epoch or bench.status.mode != "armed":
        raise Fails(f"epoch {bench.status.epoch}, mode {bench.status.mode}; expected armed in epoch {bench.epoch}")
    return "waiting setpoints were dropped; the target in force stayed"


def expires(bench: Bench) -> Steps:
    """Ask for a slow rise with the feed open, for 150 ms only, then send nothing for 420 ms."""
    yield from turning(bench)
    rate = up_rate(bench) / 10
    bench.requested = None
    mark = bench.now
    last = bench.setpoint(
        SetpointRequest(more_rpm(bench), more_rpm(bench), rate, feeding=True, lead_s=0.05, stay_s=0.15)
    )
    bench.send(last)
    yield from bench.wait(0.42)
    told = bench.since(mark)
    bench.requested = SetpointRequest(low_rpm(bench), low_rpm(bench), ramp_rpm_per_s=up_rate(bench), lead_s=0.1)
    held = [status for status in told if status.now_s > last.until_s + SLACK_S + bench.clock.error_s]
    before = [status for status in told if last.at_s < status.now_s < last.until_s]
    if not held or not before or highest(before) <= low_rpm(bench):
        raise Fails(f"the setpoint never came into force: outputs {outputs(bench.status)} rpm")
    if {outputs(status) for status in held} != {outputs(held[0])}:
        raise Fails(f"outputs kept moving from {highest(held[:1]):.0f} to {highest(held):.0f} rpm after until_s")
    if highest(held) < low_rpm(bench):
        raise Fails(f"outputs fell to {highest(held):.0f} rpm after until_s; they must hold")
    if any(status.feeding for status in held):
        raise Fails("the feed is open with no target in force")
    return f"held at {highest(held):.0f} rpm, feed closed"


def tilts(bench: Bench) -> Steps:
    """Tilt by a fifth of the range at half of the driver's own slew, with the wheels at 0."""
    reach = tilt_limits(bench)
    if reach is None:
        raise NotKnown("does not apply: no tilt axis")
    yield from armed(bench)
    if bench.status.tilt is None:
        raise Fails("tilt is absent from the status")
    begin = bench.status.tilt.target_deg
    move, slew = (reach.high_deg - reach.low_deg) / 5, reach.slew_deg_per_s / 2
    goal = begin + move if begin + move <= reach.high_deg else begin - move
    mark = bench.now
    bench.requested = SetpointRequest(tilt=(goal, slew))
    yield from bench.wait(LEAD_S + move / slew + 0.2)
    told = [(status.now_s, status.tilt.target_deg) for status in bench.since(mark) if status.tilt is not None]
    if not told or abs(told[-1][1] - goal) > 0.01:
        raise Fails(f"tilt output is {told[-1][1] if told else None} degrees; {goal:.2f} was asked for")
    for (earlier_s, earlier), (later_s, later) in pairwise(told):
        if abs(later - earlier) > slew * RATE_SLACK * (later_s - earlier_s + STEP_SLACK_S):
            moved, took_ms = abs(later - earlier), (later_s - earlier_s) * 1000
            raise Fails(f"tilt moved {moved:.2f} degrees in {took_ms:.0f} ms; the slew asked for is {slew:g} deg/s")
    return f"{move:.1f} degrees at {slew:g} deg/s"


CHECKS: tuple[Check, ...] = (
    Check("only-armed", "L14", "asks for wheel speeds while disarmed", "nothing turns", only_armed, "armed"),
    Check("at-its-time", "L15", "asks for a low speed 300 ms ahead",
          "outputs move at at_s, not before", at_its_time, "armed"),
    Check("ramp", "L25", "asks for a low speed at half the driver's own rate",
          "outputs rise at that rate, without a jump", ramp, "armed"),
    Check("reaches", "Units", "holds a low speed for 1 s",
          "the measured speed is the one asked for, in rpm of the wheel", reaches, "armed"),
    Check("own-ramp", "L25", "asks for a ramp of 1e9",
          "the driver's own rate, and `limited` is true", own_ramp, "armed"),
    Check("next-wins", "L15", "replaces a waiting setpoint", "the replaced setpoint never acts", next_wins, "armed"),
    Check("epoch-drops", "L11", "begins an epoch while a setpoint waits",
          "the old setpoint never acts", epoch_drops, "armed"),
    Check("expires", "L15", "lets a target expire", "outputs hold, and the feed closes", expires, "armed"),
    Check("tilts", "L25", "tilts at half the driver's own slew",
          "tilt moves at that slew, without a jump", tilts, "armed"),
)  # fmt: skip
