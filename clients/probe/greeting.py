"""Checks of the first minute: hello, status, clock, and what a driver does before and when a session comes."""

from itertools import pairwise
from statistics import median

from drillfeed.clients.probe.bench import Bench, Fails, NotKnown, Steps
from drillfeed.clients.probe.check import Check
from drillfeed.clients.probe.standing import ARM_S, LEAST_RPM, READ_S, SLACK_S, blind, calm, outputs, read, shown
from drillfeed.protocol.link import AngleLimits, Limits, Status

HELLO_MOST_S = 1.4
HELLO_LEAST_S = 0.6
RATE_MOST = 0.02


def greets(bench: Bench) -> Steps:
    """Listen to hellos with no answer given."""
    began = len(bench.hellos)
    if not (yield from bench.until(lambda: len(bench.hellos) >= began + 3, 5.0)):
        raise Fails(f"{len(bench.hellos) - began} hellos in 5 s")
    gaps = [two[0] - one[0] for one, two in pairwise(bench.hellos[began:])]
    if not all(HELLO_LEAST_S <= gap <= HELLO_MOST_S for gap in gaps):
        raise Fails("hellos " + ", ".join(f"{gap:.2f}" for gap in gaps) + " s apart")
    hello = bench.driver_hello
    return f"{hello.driver!r}, feedback {hello.feedback}, stops by {hello.stopping}; a hello each {gaps[-1]:.2f} s"


def well_formed(bench: Bench) -> Steps:
    """Read all frames that came so far by the schema."""
    yield from bench.wait(0.2)
    if bench.bad_frames:
        raise Fails(bench.bad_frames[0])
    return f"{bench.frames_in} frames"


def units(bench: Bench) -> Steps:
    """Look at the numbers of the hello."""
    hello = bench.driver_hello
    for name, one in (("top", hello.limits.top), ("bottom", hello.limits.bottom)):
        if one.low_rpm >= one.high_rpm:
            raise Fails(f"{name}: low_rpm {one.low_rpm:g} is not below high_rpm {one.high_rpm:g}")
        if one.high_rpm < LEAST_RPM:
            raise Fails(f"{name}.high_rpm {one.high_rpm:g}: too slow to throw a ball; is this rev/s?")
        if hello.spin_down_s < 0.9 * one.high_rpm / one.quick_rpm_per_s:
            raise Fails(
                f"spin_down_s {hello.spin_down_s:g}; from {one.high_rpm:g} rpm at {one.quick_rpm_per_s:g} rpm/s it "
                f"takes {one.high_rpm / one.quick_rpm_per_s:.2f} s"
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
    """Hold the statuses against the hello."""
    hello = bench.driver_hello
    mark = bench.now
    yield from bench.wait(0.2)
    for status in bench.since(mark):
        _honest(status, blind(bench))
        if status.boot != hello.boot:
            raise Fails(f"boot {status.boot} in the status, {hello.boot} in the hello")
        for axis in ("tilt", "pan", "roll"):
            if getattr(hello.limits, axis) is None and getattr(status, axis) is not None:
                raise Fails(f"{axis} is told, and the hello has no such axis")
            if getattr(hello.limits, axis) is not None and getattr(status, axis) is None:
                raise Fails(f"{axis} is missing, and the hello has that axis")
    return f"mode {bench.status.mode}, at_rest {bench.status.at_rest} ({bench.status.rest_known})"


def _honest(status: Status, is_blind: bool) -> None:
    for name, wheel in (("top", status.top), ("bottom", status.bottom)):
        if is_blind and wheel.measured_rpm is not None:
            raise Fails(f"{name}.measured_rpm {wheel.measured_rpm:g} is told, and the hello says feedback none")
        if not is_blind and wheel.measured_rpm is None and not status.faults:
            raise Fails(f"{name}.measured_rpm is missing with no fault told, and the hello says measured")
    if status.mode == "armed":
        raise Fails("mode is armed, and nobody of this session armed it")
    if status.feeding:
        raise Fails(f"feeding is true in mode {status.mode}")
    known = {"measured": not is_blind, "assumed": is_blind, "unknown": status.at_rest is None}
    if not known[status.rest_known]:
        raise Fails(f"rest_known {status.rest_known} with at_rest {status.at_rest}")
    if status.at_rest and outputs(status) != (0.0, 0.0):
        raise Fails(f"at_rest is true with outputs at {outputs(status)} rpm")


def pong(bench: Bench) -> Steps:
    """Ping ten times before any hello of ours."""
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
        raise Fails(f"half of the pongs take more than {median(trips) * 1000:.0f} ms; at once is expected")
    bench.pinging = True
    return f"median round trip {median(trips) * 1000:.1f} ms"


def clock(bench: Bench) -> Steps:
    """Compare the driver's clock with ours over two seconds."""
    bench.pinging = True
    yield from bench.wait(1.1)
    began_s, theirs_s = bench.now, bench.driver_s()
    yield from bench.wait(2.0)
    rate = (bench.driver_s() - theirs_s) / (bench.now - began_s)
    if abs(rate - 1) > RATE_MOST:
        raise Fails(f"its clock goes {rate:.4g} s in a second; is it in other units, or stepping?")
    apart_s = bench.status.now_s - bench.driver_s(bench.seen[-1].at_s)
    if abs(apart_s) > SLACK_S + bench.clock_error_s:
        raise Fails(f"now_s of the status is {apart_s * 1000:+.0f} ms beside that of the pong")
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
    return "not refused; that it acts is seen later, with wheels turning"


def unknown_session(bench: Bench) -> Steps:
    """Send a setpoint of a session that the driver never heard of."""
    seq, epoch = bench.status.seq, bench.status.epoch
    bench.send(bench.setpoint(session="nobody-knows", seq=9001, epoch=9001))
    yield from read(bench)
    if (bench.status.seq, bench.status.epoch) != (seq, epoch):
        raise Fails(f"seq {bench.status.seq}, epoch {bench.status.epoch} are told: it was accepted")
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
        raise Fails("arms with no limits agreed")
    return f"not taken ({bench.last_refusal}); does not arm"


def _beyond(bench: Bench, session: str, limits: Limits) -> Steps:
    refused = bench.refused
    bench.adopt(bench.daemon_hello(session, limits))
    yield from read(bench)
    if bench.status.session != session:
        raise Fails(f"the session is not adopted; only its limits are to be refused. Told: {bench.last_refusal}")
    if bench.status.limits_hash is not None:
        raise Fails(f"limits_hash {bench.status.limits_hash} is told for limits beyond its own")
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
        raise Fails(f"limits_hash is {status.limits_hash}; sent was {hello.limits_hash}. {bench.last_refusal}")
    if status.epoch != 0 or status.seq is not None:
        raise Fails(f"a new session begins at epoch 0 with no seq; told are epoch {status.epoch}, seq {status.seq}")
    return f"session and hash {status.limits_hash} told"


def answers_once(bench: Bench) -> Steps:
    """Send a hello of a new session, then the same one three times more."""
    hello = bench.new_session()
    asked_s = bench.driver_s()
    bench.adopt(hello)
    yield from bench.wait(0.2)
    first = sum(one.now_s > asked_s - SLACK_S / 7 for _, one in bench.hellos)
    if first != 1:
        raise Fails(f"{first} hellos in answer to the hello of a new session; one is expected")
    count = len(bench.hellos)
    for _ in range(3):
        bench.adopt(hello)
        yield from bench.wait(0.1)
    if len(bench.hellos) != count:
        raise Fails(f"{len(bench.hellos) - count} hellos in answer to a repeated hello; none is expected")
    return "one hello, and none to the repeats"


def old_session(bench: Bench) -> Steps:
    """Send once more the hello of the session before."""
    new, old = bench.new_session(), bench.session
    bench.adopt(new)
    yield from read(bench)
    refused = bench.refused
    bench.send(bench.daemon_hello(str(old)))
    yield from read(bench)
    if bench.status.session != new.session:
        raise Fails(f"went back to session {bench.status.session}")
    if bench.refused == refused:
        raise Fails("went on, and did not list the old hello in refusals")
    return bench.last_refusal


def quiet_hello(bench: Bench) -> Steps:
    """Send nothing but pings for 2.5 s."""
    bench.wanted = None
    began, began_s = len(bench.hellos), bench.now
    yield from bench.wait(2.5)
    times = [at_s - began_s for at_s, _ in bench.hellos[began:]]
    if not 1 <= len(times) <= 3:
        raise Fails(f"{len(times)} hellos in 2.5 s without a word of its session")
    return "after " + ", ".join(f"{one:.1f}" for one in times) + " s"


def rest_by_time(bench: Bench) -> Steps:
    """Wait until the driver tells that its wheels rest."""
    if not blind(bench):
        raise NotKnown("does not apply: this driver measures its wheels")
    yield from calm(bench)
    if bench.status.rest_known != "assumed":
        raise Fails(f"at_rest is true, and rest_known is {bench.status.rest_known}")
    yield from bench.wait(ARM_S / 10)
    return "at_rest true, assumed"


CHECKS: tuple[Check, ...] = (
    Check("greets", "L28", "listens, answers nothing", "a hello each second", greets),
    Check("frames", "Socket", "reads what came by the schema", "each frame is a message", well_formed),
    Check("units", "Messages", "looks at the limits", "low below high, rpm of the wheel, a spin-down that fits", units),
    Check("status-rhythm", "L26", "counts statuses for 1 s", "one each 20 ms, before any hello too", status_rhythm),
    Check("honest", "L26", "holds statuses against the hello", "told as known: absent, never 0", honest_at_rest),
    Check("pong", "L7", "pings ten times before its hello", "a pong with that number at once", pong),
    Check("clock", "Units", "pings for 3 s", "one clock, in seconds, that only goes forward", clock),
    Check("stop-before-hello", "L18", "sends stop and disarm before its hello", "not refused", stop_before_hello),
    Check("unknown-session", "L9", "sends a setpoint before its hello", "refused", unknown_session),
    Check("watchdog-times", "L4", "sends hellos with other watchdog times", "refused whole", watchdog_times),
    Check("limits-beyond", "L5", "offers limits above the own ones", "session, but no hash; no arm", limits_beyond),
    Check("adopts", "L3", "sends a good hello", "session, hash as it came, epoch 0, no seq", adopts),
    Check("answers-once", "L6", "sends one hello four times", "one hello back", answers_once),
    Check("old-session", "L3", "sends the hello of the session before", "refused", old_session),
    Check("hello-when-quiet", "L28", "sends only pings for 2.5 s", "a hello each second", quiet_hello),
    Check("rest-by-time", "L24", "waits for rest", "without feedback: true, assumed", rest_by_time),
)
