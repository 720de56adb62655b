"""Checks of how wheels come down: by a stop, a disarm, silence, a new session, a frozen driver."""

from drillfeed.clients.probe.bench import Bench, Fails, NotKnown, NotReached, Steps, Wanted
from drillfeed.clients.probe.check import Check
from drillfeed.clients.probe.standing import (
    READ_S,
    SLACK_S,
    blind,
    calm,
    highest,
    keep_rate,
    low_rpm,
    outputs,
    quick_rate,
    read,
    still,
    turning,
    wheels,
)
from drillfeed.clients.probe.turning import MORE, more_rpm
from drillfeed.protocol.link import LEAD_S, Status

BEFORE_S = 0.05
FROZEN_S = 1.0
LEAVES_S = 3.0


def comes_down(bench: Bench, mark: float, modes: tuple[str, ...]) -> Steps:
    """Watch the outputs go to 0 at the quick rate with no help."""
    began_s = bench.now
    if not (yield from bench.until(lambda: bench.status.mode in modes, 0.2)):
        raise Fails(f"mode is {bench.status.mode}; {' or '.join(modes)} is expected. {bench.last_refusal}")
    mode, both = bench.status.mode, wheels(bench)
    most_s = low_rpm(bench) * MORE / min(one.quick_rpm_per_s for one in both) * 1.5 + 0.3
    if not (yield from bench.until(lambda: outputs(bench.status) == (0.0, 0.0), most_s)):
        raise Fails(f"outputs are {outputs(bench.status)} rpm {bench.now - began_s:.1f} s after it")
    told = bench.since(mark - BEFORE_S)
    rate = quick_rate(bench)
    if min(one.quick_rpm_per_s for one in both) == rate:
        return f"{mode}; falls at {keep_rate(told, rate, 'fall')}"
    return f"{mode}; outputs at 0"


def stops(bench: Bench) -> Steps:
    """Turning, send stop of another session and an old epoch, and nothing after it."""
    yield from turning(bench)
    bench.wanted = None
    mark = bench.now
    bench.send(bench.order("stop", session="somebody-else", epoch=0))
    return (yield from comes_down(bench, mark, ("stopping",)))


def rests(bench: Bench) -> Steps:
    """Turning, send disarm; watch mode and at_rest until it is disarmed."""
    yield from turning(bench)
    _turning_told(bench.status)
    bench.wanted = None
    mark = bench.now
    bench.send(bench.order("disarm"))
    bench.wanted = Wanted()  # else the fall may outlast the driver's own watchdog
    yield from comes_down(bench, mark, ("stopping",))
    zero_s = bench.status.now_s
    if not (yield from bench.until(lambda: bench.status.mode == "disarmed", 1.5 * bench.driver_hello.spin_down_s + 1)):
        raise Fails(f"mode is {bench.status.mode} one and a half times spin_down_s after the outputs came to 0")
    for one in bench.since(mark):
        if one.at_rest and highest([one]) > 0:
            raise Fails(f"at_rest is true at an output of {highest([one]):.0f} rpm")
        early = one.now_s < zero_s + bench.driver_hello.spin_down_s - SLACK_S
        if blind(bench) and one.at_rest and early:
            raise Fails(f"at_rest is true {one.now_s - zero_s:.1f} s after the outputs came to 0, with no feedback")
    return f"disarmed, at_rest {bench.status.at_rest} ({bench.status.rest_known}): {bench.status.mode_reason}"


def _turning_told(status: Status) -> None:
    if status.at_rest is not False:
        raise Fails(f"at_rest is {status.at_rest} with outputs at {outputs(status)} rpm")


def arm_turning(bench: Bench) -> Steps:
    """Turning, stop, then arm in a new epoch before the wheels rest."""
    yield from turning(bench)
    bench.wanted = None
    bench.send(bench.order("stop"))
    yield from bench.until(lambda: bench.status.mode != "armed", READ_S * 2)
    bench.new_epoch()
    bench.wanted = Wanted()
    for _ in range(3):
        bench.send(bench.order("arm"))
        yield from bench.wait(0.02)
    if bench.status.mode == "armed":
        raise Fails(f"armed with outputs at {outputs(bench.status)} rpm")
    told = bench.status.mode_reason
    if bench.status.mode not in ("stopping", "disarmed"):
        raise Fails(f"mode is {bench.status.mode} after stop")
    yield from bench.until(lambda: bench.status.mode == "disarmed", bench.driver_hello.spin_down_s * 2 + 2)
    bench.send(bench.order("arm"))
    if (yield from bench.until(lambda: bench.status.mode == "armed", 0.2)):
        raise Fails("a copy of the refused arm armed it once the wheels were at rest")
    return f"refused: {told}"


def watchdog(bench: Bench) -> Steps:
    """Turning, fall silent; then clear while the wheels still turn."""
    yield from turning(bench)
    bench.wanted = None
    mark = bench.now
    if not (yield from bench.until(lambda: bench.status.mode == "tripped", 1.0)):
        raise Fails(f"mode is {bench.status.mode} after 1 s without a setpoint")
    return (yield from comes_down(bench, mark, ("tripped",)))


def clear_turning(bench: Bench) -> Steps:
    """Let it trip while turning, and clear at once."""
    yield from turning(bench, more_rpm(bench))
    bench.wanted = None
    if not (yield from bench.until(lambda: bench.status.mode == "tripped", 1.0)):
        raise NotReached("does not trip")
    bench.new_epoch()
    if highest([bench.status]) == 0:
        raise NotKnown("the outputs were at 0 before a clear could be sent")
    mark = bench.now
    bench.send(bench.order("clear"))
    yield from read(bench)
    if any(one.mode != "tripped" for one in bench.since(mark)):
        raise Fails(f"cleared with outputs at {highest(bench.since(mark)):.0f} rpm")
    return f"refused: {bench.status.mode_reason}"


def held_back(bench: Bench) -> Steps:
    """Turning, hold all frames back for 3 s, then send them in one burst."""
    yield from turning(bench)
    bench.wanted = still(bench, feeding=True)
    bench.held = []
    yield from bench.wait(3.0)
    bench.wanted = None
    mark, seq = bench.now, bench.status.seq
    count = bench.let_go()
    yield from bench.wait(0.7)
    told = bench.since(mark)
    if any(one.feeding or one.mode == "armed" for one in told) or highest(told) > highest(told[:1]):
        raise Fails(
            f"{count} late frames: {bench.status.mode}, feeding {bench.status.feeding}, {outputs(told[-1])} rpm"
        )
    return f"{count} late frames: {bench.status.mode}, nothing moved (seq {seq} to {bench.status.seq})"


def frozen(bench: Bench) -> Steps:
    """Turning, freeze the driver's process for a second while setpoints go on, then let it go on."""
    if not bench.can_freeze:
        raise NotKnown("needs the driver's process on this machine: --pid, or by hand kill -STOP and kill -CONT")
    yield from turning(bench)
    bench.wanted = still(bench, feeding=True)
    yield from bench.wait(LEAD_S + READ_S)
    if not bench.status.feeding:
        raise NotReached("the feed does not open")
    bench.frozen = True
    yield from bench.wait(FROZEN_S)
    mark, mark_s = bench.now, bench.driver_s()
    bench.frozen = False
    yield from bench.wait(0.3)
    # A status that was on its way when the driver froze leaves it now: by its own clock it says nothing of waking.
    told = [one for one in bench.since(mark) if one.now_s > mark_s - FROZEN_S / 2]
    if not told:
        raise Fails("no status after it was let go on")
    if any(one.mode != "tripped" or one.feeding for one in told):
        raise Fails(f"woke as {told[0].mode}, feeding {told[0].feeding}: it took new frames before its own watchdog")
    return f"woke tripped: {told[-1].mode_reason}"


def session_turning(bench: Bench) -> Steps:
    """Turning, send the hello of a new session."""
    yield from turning(bench)
    bench.wanted = None
    mark = bench.now
    bench.adopt(bench.new_session())
    return (yield from comes_down(bench, mark, ("stopping", "disarmed")))


def takes_over(bench: Bench) -> Steps:
    """Say that this is not seen from the link."""
    yield from calm(bench)
    raise NotKnown("not seen from the link: turn a wheel by hand, start the driver, and see it stopping")


def ends(bench: Bench) -> Steps:
    """Say that this is not seen from the link."""
    yield from calm(bench)
    raise NotKnown("not seen from the link: end the driver by SIGTERM while wheels turn slowly, and look")


def sleeps(bench: Bench) -> Steps:
    """Say that this is not seen from the link."""
    yield from calm(bench)
    raise NotKnown("not seen from the link: suspend its computer for 3 s while wheels turn slowly; it wakes tripped")


def hangs_up(bench: Bench) -> Steps:
    """Turning, hang up on the driver's process, and see that it leaves by itself."""
    if not bench.can_freeze:
        raise NotKnown("needs the driver's process on this machine: --pid; or close its terminal by hand, and look")
    yield from turning(bench)
    began_s, bench.hung_up = bench.now, True
    yield from bench.until(lambda: bench.gone or bench.meets_hang_up == "ignored", LEAVES_S)
    met, took_ms = bench.meets_hang_up, (bench.now - began_s) * 1000
    if met == "ignored":
        raise NotKnown("it was started with hang-ups ignored, as by nohup: then a closed terminal changes nothing")
    if met == "not caught":
        raise Fails("the driver does not catch SIGHUP: it was killed with wheels turning, and took no power from them")
    if not bench.gone:
        raise Fails(f"still there {LEAVES_S:g} s after a hang-up; outputs are {outputs(bench.status)} rpm")
    if met != "caught":
        raise NotKnown(f"left after {took_ms:.0f} ms; whether it was in order cannot be read on this system: look")
    return f"caught, left after {took_ms:.0f} ms; whether the wheels have no power then is not seen from the link: look"


CHECKS: tuple[Check, ...] = (
    Check("stops-turning", "L18", "stops by another session, sends nothing more", "falls at the quick rate", stops,
          "armed"),
    Check("rests", "L23", "disarms while turning", "stopping, then disarmed at rest, told no sooner than known", rests,
          "armed"),
    Check("arm-turning", "L20", "arms before the wheels rest", "refused, once for the epoch", arm_turning, "armed"),
    Check("watchdog-turning", "L16", "falls silent while wheels turn", "trips, falls alone", watchdog, "armed"),
    Check("clear-turning", "L21", "clears while wheels turn", "refused", clear_turning, "armed"),
    Check("held-back", "L13", "holds frames back for 3 s, then sends all", "nothing old acts", held_back, "armed"),
    Check("frozen", "L1", "freezes the driver for 1 s", "wakes tripped", frozen, "armed"),
    Check("session-turning", "L3", "sends a new session's hello", "down as after a stop", session_turning, "armed"),
    Check("takes-over", "L22", "nothing: not seen from the link", "turning wheels are brought down", takes_over),
    Check("ends", "L29", "nothing: not seen from the link", "outputs without power", ends),
    Check("sleeps", "L31", "nothing: not seen from the link", "a computer that slept wakes tripped", sleeps),
)  # fmt: skip

LAST: tuple[Check, ...] = (
    Check("hangs-up", "L29", "hangs up on the driver's process", "it ends by itself, in order", hangs_up, "armed"),
)
"""What leaves no driver behind to go on with."""
