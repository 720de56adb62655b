"""Checks of sessions: what a driver does before one begins, which hellos it takes, which it refuses."""

from drillfeed.clients.probe.bench import Bench
from drillfeed.clients.probe.check import Check
from drillfeed.clients.probe.standing import ARM_S, READ_S, SLACK_S, blind, calm, read, shown
from drillfeed.clients.probe.steps import Fails, NotKnown, Steps
from drillfeed.protocol.link import AngleLimits, Limits


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
