"""Checks of orders, modes and the driver's own watchdog, with wheel targets at zero."""

from drillfeed.clients.probe.bench import Bench
from drillfeed.clients.probe.check import Check
from drillfeed.clients.probe.standing import (
    READ_S,
    SLACK_S,
    armed,
    calm,
    highest,
    read,
    shown,
    still,
)
from drillfeed.clients.probe.steps import Fails, NotReached, Pause, Steps
from drillfeed.protocol.link import LEAD_S, WATCHDOG_FEED_S, WATCHDOG_STOP_S, Status

STOP_NOW_S = 0.045


def arm_quotes(bench: Bench) -> Steps:
    """Send an arm of another session, and one of an older epoch."""
    yield from calm(bench)
    bench.new_epoch()
    bench.requested = still(bench)
    yield from read(bench)
    for what, order in (
        ("another session", bench.order("arm", session="somebody-else", epoch=bench.epoch + 1)),
        ("an older epoch", bench.order("arm", epoch=bench.epoch - 1)),
    ):
        bench.send(order)
        if (yield from shown(bench, "armed", 0.15)):
            raise Fails(f"it armed on an order of {what}")
    return bench.last_refusal


def arms(bench: Bench) -> Steps:
    """Arm at rest, then watch the outputs for half a second."""
    mark = bench.now
    yield from armed(bench)
    yield from bench.wait(0.5)
    if bench.status.mode != "armed":
        raise Fails(f"armed, then {bench.status.mode} ({bench.status.mode_reason}) while setpoints were coming")
    if highest(bench.since(mark)) > 0:
        raise Fails(f"arming moved the outputs to {highest(bench.since(mark)):.0f} rpm")
    if bench.status.epoch != bench.epoch:
        raise Fails(f"the status shows epoch {bench.status.epoch}; the arm was of epoch {bench.epoch}")
    return f"armed in epoch {bench.epoch}, outputs at 0"


def opens(bench: Bench) -> Steps:
    """Ask for the feed to open at a given moment, with no ball to push."""
    yield from _feed_open(bench)
    return "opened at its moment"


def closes(bench: Bench) -> Steps:
    """Open the feed, then ask for it to close."""
    yield from _feed_open(bench)
    began_s = bench.driver_s()
    bench.requested = still(bench, feeding=False)
    yield from bench.until(lambda: not bench.status.feeding, 0.5)
    took_s = bench.driver_s() - began_s
    if took_s > STOP_NOW_S + SLACK_S:
        raise Fails(f"closed {took_s * 1000:.0f} ms after feeding false was sent; it must close when that is read")
    mark = bench.now
    yield from bench.wait(LEAD_S + 0.1)
    if any(status.feeding for status in bench.since(mark)):
        raise Fails("a setpoint that was read before feeding false opened the feed again")
    return f"closed {took_s * 1000:.0f} ms after it was told to"


def _feed_open(bench: Bench) -> Pause:
    """Arm at rest and open the feed; fail if it opens before its moment or not at all."""
    yield from armed(bench)
    mark = bench.now
    bench.requested = still(bench, feeding=True)
    at_s = bench.driver_s() + LEAD_S
    if not (yield from bench.until(lambda: bench.status.feeding, LEAD_S + 0.3)):
        raise Fails("setpoints with feeding true do not open the feed")
    first = next(status for status in bench.since(mark) if status.feeding)
    if first.now_s < at_s - SLACK_S:
        raise Fails(f"the feed opened {(at_s - first.now_s) * 1000:.0f} ms before the at_s of its setpoint")


def stops_at_rest(bench: Bench) -> Steps:
    """Arm, open the feed, and send a stop of another session and an old epoch."""
    yield from _feed_open(bench)
    bench.send(bench.order("stop", session="somebody-else", epoch=0))
    bench.requested = None
    sent_s = bench.now
    if not (yield from shown(bench, "disarmed", 0.3)):
        raise Fails(
            f"mode is {bench.status.mode}; a stop must be obeyed whatever session it quotes. {bench.last_refusal}"
        )
    took_s = bench.now - sent_s
    if took_s > STOP_NOW_S + SLACK_S:
        raise Fails(f"the status showed it only after {took_s * 1000:.0f} ms")
    if bench.status.feeding:
        raise Fails("the feed is still open")
    return f"disarmed, feed closed, shown after {took_s * 1000:.0f} ms"


def arm_once(bench: Bench) -> Steps:
    """Arm, stop without a new epoch, then send the arm again as a late copy would arrive."""
    yield from armed(bench)
    late = bench.order("arm")
    bench.send(bench.order("stop"))
    yield from read(bench)
    if bench.status.mode == "armed":
        raise NotReached("still armed after stop")
    for _ in range(5):
        bench.send(late)
        if (yield from shown(bench, "armed", 0.06)):
            raise Fails("a copy of the arm that was sent before the stop armed it again")
    return f"{bench.status.mode}, whatever copies arrive"


def stop_with_mistakes(bench: Bench) -> Steps:
    """Arm, then send stop and disarm frames with errors in them."""
    for kind, frame in (
        ("stop", b'{"v":9,"kind":"stop","session":"somebody-else","epoch":0}'),
        ("disarm", b'{"kind":"disarm"}'),
        ("stop", b'{"kind":"stop","session":"somebody-else","epoch":0}'),
        ("stop", b'{"v":1,"kind":"stop","session":7,"epoch":"x"}'),
    ):
        yield from armed(bench)
        bench.send(frame)
        if not (yield from bench.until(lambda: bench.status.mode != "armed", 0.2)):
            raise Fails(f"still armed after {frame.decode()}")
        bench.requested = None
        if bench.status.mode != "disarmed":
            raise Fails(f"mode is {bench.status.mode} after a {kind} at rest; expected disarmed")
    return "obeyed"


def session_disarms(bench: Bench) -> Steps:
    """Arm, and send the hello of a new session."""
    yield from armed(bench)
    bench.requested = None
    hello = bench.new_session()
    bench.adopt(hello)
    yield from read(bench)
    status = bench.status
    if status.session != hello.session:
        raise Fails(f"session is still {status.session}")
    if status.mode == "armed":
        raise Fails("still armed in the new session")
    if status.epoch != 0 or status.seq is not None:
        raise Fails(f"epoch {status.epoch}, seq {status.seq}; expected epoch 0 and no seq")
    return f"{status.mode}, epoch 0, no seq"


def watchdog(bench: Bench) -> Steps:
    """Arm and open the feed, then send only pings and old setpoints."""
    yield from _feed_open(bench)
    yield from read(bench)
    old = bench.setpoint(seq=0)
    bench.requested = None
    mark = bench.now
    while bench.now < mark + 1.0 and bench.status.mode != "tripped":
        bench.send(old)
        yield from bench.wait(0.02)
    return _within(bench.since(mark), bench.clock.error_s)


def _within(told: list[Status], error_s: float) -> str:
    """Say when feed and mode changed, counted from the newest accepted setpoint; fail outside 250 and 500 ms."""
    closed = next((status for status in told if not status.feeding), None)
    tripped = next((status for status in told if status.mode == "tripped"), None)
    if closed is None:
        raise Fails("the feed stays open with no setpoint for 1 s")
    words = []
    for what, status, due_s in (("feed closed", closed, WATCHDOG_FEED_S), ("tripped", tripped, WATCHDOG_STOP_S)):
        if status is None:
            raise Fails(f"not tripped with no setpoint for 1 s: {told[-1].mode}, feeding {told[-1].feeding}")
        if status.watchdog_age_ms is None:
            raise Fails("watchdog_age_ms is absent after setpoints were accepted")
        age_s = status.watchdog_age_ms / 1000
        if not due_s - SLACK_S <= age_s <= due_s + SLACK_S + error_s:
            raise Fails(
                f"{what} {age_s * 1000:.0f} ms after the newest accepted setpoint; expected at {due_s * 1000:.0f} ms"
            )
        words.append(f"{what} at {age_s * 1000:.0f} ms")
    return ", ".join(words)


def latched(bench: Bench) -> Steps:
    """Let it trip, then send good setpoints again."""
    yield from _tripped(bench)
    bench.requested = still(bench, feeding=True)
    mark = bench.now
    yield from bench.wait(0.8)
    for status in bench.since(mark):
        if status.mode != "tripped" or status.feeding:
            raise Fails(f"mode {status.mode}, feeding {status.feeding} once setpoints came back")
    return f"still tripped ({bench.status.mode_reason})"


def _tripped(bench: Bench) -> Pause:
    """Let it trip at rest; do nothing if it has tripped already."""
    bench.requested = None
    if bench.silent_s < READ_S and bench.status.mode == "tripped" and bench.status.session == bench.session:
        return
    yield from armed(bench)
    bench.requested = None
    if not (yield from shown(bench, "tripped", 1.0)):
        raise NotReached(f"it does not trip: mode is {bench.status.mode}")


def arm_in_tripped(bench: Bench) -> Steps:
    """Let it trip, then arm in a new epoch without a clear."""
    yield from _tripped(bench)
    bench.new_epoch()
    bench.requested = still(bench)
    bench.send(bench.order("arm"))
    if (yield from shown(bench, "armed", 0.3)):
        raise Fails("it armed while tripped; a clear must come first")
    return f"{bench.status.mode}: {bench.status.mode_reason}"


def clears(bench: Bench) -> Steps:
    """Let it trip, then send a clear of another session, one of an older epoch, and a correct one."""
    yield from _tripped(bench)
    bench.new_epoch()
    bench.requested = still(bench)
    yield from read(bench)
    for what, order in (
        ("another session", bench.order("clear", session="somebody-else")),
        ("an older epoch", bench.order("clear", epoch=bench.epoch - 1)),
    ):
        bench.send(order)
        if (yield from bench.until(lambda: bench.status.mode != "tripped", 0.1)):
            raise Fails(f"it cleared on an order of {what}")
    bench.new_epoch()
    mark = bench.now
    bench.send(bench.order("clear"))
    yield from bench.until(lambda: bench.status.mode != "tripped", READ_S * 4)
    if bench.status.mode != "disarmed":
        raise Fails(f"mode is {bench.status.mode} ({bench.status.mode_reason}) after clear at rest; expected disarmed")
    yield from read(bench)
    if highest(bench.since(mark)) > 0 or bench.status.mode != "disarmed":
        raise Fails("the clear moved an output or armed the driver")
    return "disarmed; nothing moved"


CHECKS: tuple[Check, ...] = (
    Check("arm-quotes", "L20", "sends arm of another session and of an older epoch", "refused", arm_quotes, "armed"),
    Check("arms", "L20", "arms at rest", "armed, and nothing moves", arms, "armed"),
    Check("feed-opens", "L15", "opens the feed at a given moment, without a ball",
          "the feed opens at that moment", opens, "armed"),
    Check("feed-closes", "L14", "closes the feed",
          "the feed closes when this is read, and no earlier setpoint opens it again", closes, "armed"),
    Check("stops", "L18", "sends stop of another session and an old epoch",
          "disarmed and feed closed, at once", stops_at_rest, "armed"),
    Check("arm-once", "L20", "repeats an arm after a stop", "nothing happens", arm_once, "armed"),
    Check("stop-with-mistakes", "L19", "sends a stop with v 9 and a disarm with no other field",
          "obeyed", stop_with_mistakes, "armed"),
    Check("session-disarms", "L3", "sends a new session's hello while armed",
          "disarmed, epoch 0", session_disarms, "armed"),
    Check("watchdog", "L16", "sends only pings and old setpoints",
          "feed closed at 250 ms, tripped at 500 ms", watchdog, "armed"),
    Check("stays-tripped", "L16", "sends setpoints again after a trip", "tripped until cleared", latched, "armed"),
    Check("arm-in-tripped", "L20", "arms without a clear", "refused", arm_in_tripped, "armed"),
    Check("clears", "L21", "sends clear of another session, of an older epoch, then a correct one",
          "only the correct one acts, and it moves nothing", clears, "armed"),
)  # fmt: skip
