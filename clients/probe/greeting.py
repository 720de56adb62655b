"""Checks of what a driver tells by itself: hello, status, clock, before any session."""

from itertools import pairwise
from statistics import median

from drillfeed.clients.probe.bench import Bench
from drillfeed.clients.probe.check import Check
from drillfeed.clients.probe.standing import RPM_MIN, SLACK_S, blind, outputs
from drillfeed.clients.probe.steps import Fails, Steps
from drillfeed.protocol.link import AngleLimits, Status

HELLO_MAX_S = 1.4
HELLO_MIN_S = 0.6
RATE_ERROR_MAX = 0.02


def greets(bench: Bench) -> Steps:
    """Listen to hellos without answering."""
    began = len(bench.hellos)
    if not (yield from bench.until(lambda: len(bench.hellos) >= began + 3, 5.0)):
        raise Fails(f"{len(bench.hellos) - began} hellos in 5 s; expected one each second")
    gaps = [later - earlier for (earlier, _), (later, _) in pairwise(bench.hellos[began:])]
    if not all(HELLO_MIN_S <= gap <= HELLO_MAX_S for gap in gaps):
        raise Fails("hellos " + ", ".join(f"{gap:.2f}" for gap in gaps) + " s apart")
    hello = bench.driver_hello
    return f"{hello.driver!r}, feedback {hello.feedback}, stops by {hello.stopping}; a hello each {gaps[-1]:.2f} s"


def well_formed(bench: Bench) -> Steps:
    """Check all frames that came so far against the schema."""
    yield from bench.wait(0.2)
    if bench.bad_frames:
        raise Fails(bench.bad_frames[0])
    return f"{bench.frames_in} frames"


def units(bench: Bench) -> Steps:
    """Look at the numbers of the hello."""
    hello = bench.driver_hello
    for name, wheel in (("top", hello.limits.top), ("bottom", hello.limits.bottom)):
        if wheel.low_rpm >= wheel.high_rpm:
            raise Fails(f"{name}: low_rpm {wheel.low_rpm:g} is not below high_rpm {wheel.high_rpm:g}")
        if wheel.high_rpm < RPM_MIN:
            raise Fails(f"{name}.high_rpm {wheel.high_rpm:g}: too slow to throw a ball; is this rev/s?")
        if hello.spin_down_s < 0.9 * wheel.high_rpm / wheel.quick_rpm_per_s:
            raise Fails(
                f"spin_down_s {hello.spin_down_s:g}; from {wheel.high_rpm:g} rpm at {wheel.quick_rpm_per_s:g} rpm/s it "
                f"takes {wheel.high_rpm / wheel.quick_rpm_per_s:.2f} s"
            )
    for axis in ("tilt", "pan", "roll"):
        reach: AngleLimits | None = getattr(hello.limits, axis)
        if reach is not None and reach.low_deg >= reach.high_deg:
            raise Fails(f"{axis}: low_deg {reach.low_deg:g} is not below high_deg {reach.high_deg:g}")
    yield
    top = hello.limits.top
    return f"top {top.low_rpm:g}..{top.high_rpm:g} rpm, spin-down {hello.spin_down_s:g} s"


def status_rhythm(bench: Bench) -> Steps:
    """Count statuses for a second in which nothing happens."""
    mark = bench.now
    yield from bench.wait(1.0)
    count = len(bench.since(mark))
    if not 40 <= count <= 70:
        raise Fails(f"{count} statuses in a second")
    return f"{count} statuses in a second"


def honest_at_rest(bench: Bench) -> Steps:
    """Compare the statuses with the hello."""
    hello = bench.driver_hello
    mark = bench.now
    yield from bench.wait(0.2)
    for status in bench.since(mark):
        _honest(status, blind(bench))
        if status.boot != hello.boot:
            raise Fails(f"boot {status.boot} in the status, {hello.boot} in the hello")
        for axis in ("tilt", "pan", "roll"):
            if getattr(hello.limits, axis) is None and getattr(status, axis) is not None:
                raise Fails(f"the status has {axis}, but the hello has no such axis")
            if getattr(hello.limits, axis) is not None and getattr(status, axis) is None:
                raise Fails(f"the status lacks {axis}, but the hello has that axis")
    return f"mode {bench.status.mode}, at_rest {bench.status.at_rest} ({bench.status.rest_known})"


def _honest(status: Status, is_blind: bool) -> None:
    for name, wheel in (("top", status.top), ("bottom", status.bottom)):
        if is_blind and wheel.measured_rpm is not None:
            raise Fails(
                f"the status gives {name}.measured_rpm {wheel.measured_rpm:g}, but the hello says feedback none"
            )
        if not is_blind and wheel.measured_rpm is None and not status.faults:
            raise Fails(f"{name}.measured_rpm is missing without a fault, but the hello says feedback measured")
    if status.mode == "armed":
        raise Fails("mode is armed, but nobody in this session armed it")
    if status.feeding:
        raise Fails(f"feeding is true in mode {status.mode}")
    known = {"measured": not is_blind, "assumed": is_blind, "unknown": status.at_rest is None}
    if not known[status.rest_known]:
        raise Fails(f"rest_known {status.rest_known} with at_rest {status.at_rest}")
    if status.at_rest and outputs(status) != (0.0, 0.0):
        raise Fails(f"at_rest is true with outputs at {outputs(status)} rpm")


def pong(bench: Bench) -> Steps:
    """Ping ten times before the probe sends any hello."""
    trips = []
    for _ in range(10):
        began, asked_s = len(bench.pongs), bench.now
        n = bench.ping()
        if not (yield from bench.until(lambda began=began: len(bench.pongs) > began, 0.5)):  # type: ignore[misc]
            raise Fails(f"no pong to ping {n} within 0.5 s")
        if bench.pongs[-1][1].n != n:
            raise Fails(f"pong {bench.pongs[-1][1].n} to ping {n}")
        trips.append(bench.now - asked_s)
        yield from bench.wait(0.02)
    if median(trips) > 0.010:
        raise Fails(
            f"half of the pongs take more than {median(trips) * 1000:.0f} ms; each ping must be answered at once"
        )
    bench.pinging = True
    return f"median round trip {median(trips) * 1000:.1f} ms"


def clock(bench: Bench) -> Steps:
    """Compare the driver's clock with the probe's over two seconds."""
    bench.pinging = True
    yield from bench.wait(1.1)
    began_s, theirs_s = bench.now, bench.driver_s()
    yield from bench.wait(2.0)
    rate = (bench.driver_s() - theirs_s) / (bench.now - began_s)
    if abs(rate - 1) > RATE_ERROR_MAX:
        raise Fails(f"its clock advances {rate:.4g} s in a second; does it use other units, or jump?")
    apart_s = bench.status.now_s - bench.driver_s(bench.seen[-1].at_s)
    if abs(apart_s) > SLACK_S + bench.clock.error_s:
        raise Fails(f"now_s of the status is {apart_s * 1000:+.0f} ms off that of the pong")
    return f"rate {rate:.4f}, known to {bench.clock.error_s * 1000:.1f} ms"


CHECKS: tuple[Check, ...] = (
    Check("greets", "L28", "listens without answering", "a hello each second", greets),
    Check("frames", "Socket", "checks all frames against the schema", "each frame is a message", well_formed),
    Check("units", "Messages", "looks at the limits",
          "low is below high, in rpm of the wheel, and the spin-down time fits", units),
    Check("status-rhythm", "L26", "counts statuses for 1 s", "one each 20 ms, even before any hello", status_rhythm),
    Check("honest", "L26", "compares the statuses with the hello",
          "what is not known is absent, never 0", honest_at_rest),
    Check("pong", "L7", "pings ten times before its hello", "a pong with the same number, at once", pong),
    Check("clock", "Units", "pings for 3 s", "one clock, in seconds, that only goes forward", clock),
)  # fmt: skip
