"""Checks of the first minute: hello, status, clock, and what a driver does before a session begins and when it does."""

from itertools import pairwise
from statistics import median

from drillfeed.clients.probe.bench import Bench, Fails, NotKnown, Steps
from drillfeed.clients.probe.check import Check
from drillfeed.clients.probe.standing import ARM_S, READ_S, RPM_MIN, SLACK_S, blind, calm, outputs, read, shown
from drillfeed.protocol.link import AngleLimits, Limits, Status

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
    if abs(apart_s) > SLACK_S + bench.clock_error_s:
        raise Fails(f"now_s of the status is {apart_s * 1000:+.0f} ms off that of the pong")
    return f"rate {rate:.4f}, known to {bench.clock_error_s * 1000:.1f} ms"


def stop_before_hello(bench: Bench) -> Steps:
    """Send stop and disarm of a session that the driver never heard of."""
    before = bench.refused
    for kind in ("stop", "disarm"):
        bench.send(bench.order(kind, session="nobody-knows"))
        yield from read(bench)
        if bench.refused != before:
            raise Fails(f"{kind} was refused: {bench.last_refusal}")
        if bench.silent_s > READ_S:
            raise Fails(f"no status after {kind}")
    return "not refused; a later check, with wheels turning, shows that it acts"


def unknown_session(bench: Bench) -> Steps:
    """Send a setpoint of a session that the driver never heard of."""
    seq, epoch = bench.status.seq, bench.status.epoch
    bench.send(bench.setpoint(session="nobody-knows", seq=9001, epoch=9001))
    yield from read(bench)
    if (bench.status.seq, bench.status.epoch) != (seq, epoch):
        raise Fails(f"the status shows seq {bench.status.seq}, epoch {bench.status.epoch}: the setpoint was accepted")
    return bench.last_refusal


def watchdog_times(bench: Bench) -> Steps:
    """Send hellos that would switch the watchdog off, or make it slower."""
    before = bench.status.session
    for feed_ms, stop_ms in ((20, 500), (300, 500), (250, 600), (200, 100), (1e6, 1e6)):
        refused = bench.refused
        hello = bench.new_session(watchdog_feed_ms=float(feed_ms), watchdog_stop_ms=float(stop_ms))
        bench.send(hello)
        yield from read(bench)
        if bench.status.session != before:
            raise Fails(f"session adopted with watchdog_feed_ms {feed_ms:g}, watchdog_stop_ms {stop_ms:g}")
        if bench.refused == refused:
            raise Fails(f"watchdog_feed_ms {feed_ms:g}, watchdog_stop_ms {stop_ms:g}: not listed in refusals")
    return bench.last_refusal


def limits_beyond(bench: Bench) -> Steps:
    """Send a hello with limits above the driver's own, then arm."""
    own = bench.driver_hello.limits
    wheel = own.top.model_copy(update={"high_rpm": own.top.high_rpm * 1.5})
    beyond = [own.model_copy(update={"top": wheel})]
    beyond += [
        own.model_copy(update={axis: AngleLimits(low_deg=-5.0, high_deg=5.0, slew_deg_per_s=5.0)})
        for axis in ("tilt", "pan", "roll")
        if getattr(own, axis) is None
    ][:1]
    hello = bench.new_session(beyond[0])
    for limits in beyond:
        yield from _beyond(bench, hello.session, limits)
    bench.new_epoch()
    bench.send(bench.order("arm"))
    if (yield from shown(bench, "armed", 0.2)):
        raise Fails("it armed without agreed limits")
    return f"not taken ({bench.last_refusal}); it does not arm"


def _beyond(bench: Bench, session: str, limits: Limits) -> Steps:
    refused = bench.refused
    bench.adopt(bench.daemon_hello(session, limits))
    yield from read(bench)
    if bench.status.session != session:
        raise Fails(f"it did not adopt the session; it must refuse only the limits. {bench.last_refusal}")
    if bench.status.limits_hash is not None:
        raise Fails(f"it reports limits_hash {bench.status.limits_hash} for limits beyond its own")
    if bench.refused == refused:
        raise Fails("limits beyond its own are not listed in refusals")
    return ""


def adopts(bench: Bench) -> Steps:
    """Send a good hello of a new session."""
    hello = bench.new_session()
    bench.adopt(hello)
    if not (yield from bench.until(lambda: bench.status.session == hello.session, 0.2)):
        raise Fails(f"session is {bench.status.session} after 0.2 s. {bench.last_refusal}")
    yield from read(bench)
    status = bench.status
    if status.limits_hash != hello.limits_hash:
        raise Fails(f"limits_hash is {status.limits_hash}; the hello sent {hello.limits_hash}. {bench.last_refusal}")
    if status.epoch != 0 or status.seq is not None:
        raise Fails(f"epoch {status.epoch}, seq {status.seq}; a new session must begin at epoch 0 with no seq")
    return f"the status shows the session and hash {status.limits_hash}"


def answers_once(bench: Bench) -> Steps:
    """Send a hello of a new session, then the same hello three more times."""
    hello = bench.new_session()
    asked_s = bench.driver_s()
    bench.adopt(hello)
    yield from bench.wait(0.2)
    first = sum(answer.now_s > asked_s - SLACK_S / 7 for _, answer in bench.hellos)
    if first != 1:
        raise Fails(f"{first} hellos in answer to the hello of a new session; expected one")
    count = len(bench.hellos)
    for _ in range(3):
        bench.adopt(hello)
        yield from bench.wait(0.1)
    if len(bench.hellos) != count:
        raise Fails(f"{len(bench.hellos) - count} hellos in answer to a repeated hello; expected none")
    return "one hello, and none to the repeats"


def old_session(bench: Bench) -> Steps:
    """Send the hello of the previous session once more."""
    new, old = bench.new_session(), bench.session
    bench.adopt(new)
    yield from read(bench)
    refused = bench.refused
    bench.send(bench.daemon_hello(str(old)))
    yield from read(bench)
    if bench.status.session != new.session:
        raise Fails(f"it went back to session {bench.status.session}")
    if bench.refused == refused:
        raise Fails("it stayed in its session, but did not list the old hello in refusals")
    return bench.last_refusal


def quiet_hello(bench: Bench) -> Steps:
    """Send nothing but pings for 2.5 s."""
    bench.requested = None
    began, began_s = len(bench.hellos), bench.now
    yield from bench.wait(2.5)
    times = [at_s - began_s for at_s, _ in bench.hellos[began:]]
    if not 1 <= len(times) <= 3:
        raise Fails(f"{len(times)} hellos in 2.5 s while nothing of its session came; expected one each second")
    return "after " + ", ".join(f"{at_s:.1f}" for at_s in times) + " s"


def rest_by_time(bench: Bench) -> Steps:
    """Wait until the driver reports that its wheels rest."""
    if not blind(bench):
        raise NotKnown("does not apply: this driver measures its wheels")
    yield from calm(bench)
    if bench.status.rest_known != "assumed":
        raise Fails(f"at_rest is true, but rest_known is {bench.status.rest_known}; expected assumed")
    yield from bench.wait(ARM_S / 10)
    return "at_rest true, assumed"


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
    Check("stop-before-hello", "L18", "sends stop and disarm before its hello", "not refused", stop_before_hello),
    Check("unknown-session", "L9", "sends a setpoint before its hello", "refused", unknown_session),
    Check("watchdog-times", "L4", "sends hellos with other watchdog times", "refused whole", watchdog_times),
    Check("limits-beyond", "L5", "offers limits beyond the driver's own",
          "adopts the session, shows no hash, does not arm", limits_beyond),
    Check("adopts", "L3", "sends a good hello", "shows the session, the hash as sent, epoch 0 and no seq", adopts),
    Check("answers-once", "L6", "sends one hello four times", "one hello back", answers_once),
    Check("old-session", "L3", "sends the hello of the previous session", "refused", old_session),
    Check("hello-when-quiet", "L28", "sends only pings for 2.5 s", "a hello each second", quiet_hello),
    Check("rest-by-time", "L24", "waits for rest", "without feedback, at_rest is true and assumed", rest_by_time),
)  # fmt: skip
