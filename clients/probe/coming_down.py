"""Checks of how the wheels come down: on a stop, a disarm, silence, a new session, a frozen driver."""

from drillfeed.clients.probe.bench import Bench, SetpointRequest
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
from drillfeed.clients.probe.steps import Fails, NotKnown, NotReached, Steps
from drillfeed.clients.probe.turning import MORE, more_rpm
from drillfeed.protocol.link import LEAD_S, Status

BEFORE_S = 0.05
FROZEN_S = 1.0
LEAVES_S = 3.0


def comes_down(bench: Bench, mark: float, modes: tuple[str, ...]) -> Steps:
    """Watch the outputs go to 0 at the quick rate without help."""
    began_s = bench.now
    if not (yield from bench.until(lambda: bench.status.mode in modes, 0.2)):
        raise Fails(f"mode is {bench.status.mode}; expected {' or '.join(modes)}. {bench.last_refusal}")
    mode, both = bench.status.mode, wheels(bench)
    max_s = low_rpm(bench) * MORE / min(wheel.quick_rpm_per_s for wheel in both) * 1.5 + 0.3
    if not (yield from bench.until(lambda: outputs(bench.status) == (0.0, 0.0), max_s)):
        raise Fails(f"outputs are {outputs(bench.status)} rpm after {bench.now - began_s:.1f} s; expected 0")
    told = bench.since(mark - BEFORE_S)
    rate = quick_rate(bench)
    if min(wheel.quick_rpm_per_s for wheel in both) == rate:
        return f"{mode}; falls at {keep_rate(told, rate, 'fall')}"
    return f"{mode}; outputs at 0"


def stops(bench: Bench) -> Steps:
    """With wheels turning, send stop of another session and an old epoch, and nothing after it."""
    yield from turning(bench)
    bench.requested = None
    mark = bench.now
    bench.send(bench.order("stop", session="somebody-else", epoch=0))
    return (yield from comes_down(bench, mark, ("stopping",)))


def rests(bench: Bench) -> Steps:
    """With wheels turning, send disarm; watch mode and at_rest until it is disarmed."""
    yield from turning(bench)
    _turning_told(bench.status)
    bench.requested = None
    mark = bench.now
    bench.send(bench.order("disarm"))
    bench.requested = SetpointRequest()  # otherwise the fall may outlast the driver's own watchdog
    yield from comes_down(bench, mark, ("stopping",))
    zero_s = bench.status.now_s
    if not (yield from bench.until(lambda: bench.status.mode == "disarmed", 1.5 * bench.driver_hello.spin_down_s + 1)):
        raise Fails(f"mode is {bench.status.mode} one and a half times spin_down_s after the outputs came to 0")
    for status in bench.since(mark):
        if status.at_rest and highest([status]) > 0:
            raise Fails(f"at_rest is true at an output of {highest([status]):.0f} rpm")
        early = status.now_s < zero_s + bench.driver_hello.spin_down_s - SLACK_S
        if blind(bench) and status.at_rest and early:
            raise Fails(f"at_rest is true {status.now_s - zero_s:.1f} s after the outputs came to 0, with no feedback")
    return f"disarmed, at_rest {bench.status.at_rest} ({bench.status.rest_known}): {bench.status.mode_reason}"


def _turning_told(status: Status) -> None:
    if status.at_rest is not False:
        raise Fails(f"at_rest is {status.at_rest} with outputs at {outputs(status)} rpm")


def arm_turning(bench: Bench) -> Steps:
    """With wheels turning, stop, then arm in a new epoch before the wheels rest."""
    yield from turning(bench)
    bench.requested = None
    bench.send(bench.order("stop"))
    yield from bench.until(lambda: bench.status.mode != "armed", READ_S * 2)
    bench.new_epoch()
    bench.requested = SetpointRequest()
    for _ in range(3):
        bench.send(bench.order("arm"))
        yield from bench.wait(0.02)
    if bench.status.mode == "armed":
        raise Fails(f"it armed with outputs at {outputs(bench.status)} rpm")
    told = bench.status.mode_reason
    if bench.status.mode not in ("stopping", "disarmed"):
        raise Fails(f"mode is {bench.status.mode} after stop")
    yield from bench.until(lambda: bench.status.mode == "disarmed", bench.driver_hello.spin_down_s * 2 + 2)
    bench.send(bench.order("arm"))
    if (yield from bench.until(lambda: bench.status.mode == "armed", 0.2)):
        raise Fails("a copy of the refused arm armed it once the wheels were at rest")
    return f"refused: {told}"


def watchdog(bench: Bench) -> Steps:
    """With wheels turning, fall silent until it trips."""
    yield from turning(bench)
    bench.requested = None
    mark = bench.now
    if not (yield from bench.until(lambda: bench.status.mode == "tripped", 1.0)):
        raise Fails(f"mode is {bench.status.mode} after 1 s without a setpoint")
    return (yield from comes_down(bench, mark, ("tripped",)))


def clear_turning(bench: Bench) -> Steps:
    """Let it trip with wheels turning, then clear at once."""
    yield from turning(bench, more_rpm(bench))
    bench.requested = None
    if not (yield from bench.until(lambda: bench.status.mode == "tripped", 1.0)):
        raise NotReached("it does not trip")
    bench.new_epoch()
    if highest([bench.status]) == 0:
        raise NotKnown("the outputs reached 0 before a clear could be sent")
    mark = bench.now
    bench.send(bench.order("clear"))
    yield from read(bench)
    if any(status.mode != "tripped" for status in bench.since(mark)):
        raise Fails(f"it cleared with outputs at {highest(bench.since(mark)):.0f} rpm")
    return f"refused: {bench.status.mode_reason}"


def held_back(bench: Bench) -> Steps:
    """With wheels turning, hold all frames back for 3 s, then send them in one burst."""
    yield from turning(bench)
    bench.requested = still(bench, feeding=True)
    bench.held = []
    yield from bench.wait(3.0)
    bench.requested = None
    mark, seq = bench.now, bench.status.seq
    count = bench.release()
    yield from bench.wait(0.7)
    told = bench.since(mark)
    if any(status.feeding or status.mode == "armed" for status in told) or highest(told) > highest(told[:1]):
        raise Fails(
            f"{count} late frames: {bench.status.mode}, feeding {bench.status.feeding}, {outputs(told[-1])} rpm"
        )
    return f"{count} late frames: {bench.status.mode}, nothing moved (seq {seq} to {bench.status.seq})"


def frozen(bench: Bench) -> Steps:
    """With wheels turning, freeze the driver's process for a second while setpoints go on, then continue it."""
    if not bench.can_freeze:
        raise NotKnown(
            "needs the driver's process on this machine: give --pid, or use kill -STOP and kill -CONT by hand"
        )
    yield from turning(bench)
    bench.requested = still(bench, feeding=True)
    yield from bench.wait(LEAD_S + READ_S)
    if not bench.status.feeding:
        raise NotReached("the feed does not open")
    bench.frozen = True
    yield from bench.wait(FROZEN_S)
    mark, mark_s = bench.now, bench.driver_s()
    bench.frozen = False
    yield from bench.wait(0.3)
    # A status that was under way when the driver froze arrives only now. Its own clock shows that it was made earlier.
    told = [status for status in bench.since(mark) if status.now_s > mark_s - FROZEN_S / 2]
    if not told:
        raise Fails("no status came after the driver was continued")
    if any(status.mode != "tripped" or status.feeding for status in told):
        raise Fails(f"woke in mode {told[0].mode}, feeding {told[0].feeding}: it took new frames before its watchdog")
    return f"woke tripped: {told[-1].mode_reason}"


def session_turning(bench: Bench) -> Steps:
    """With wheels turning, send the hello of a new session."""
    yield from turning(bench)
    bench.requested = None
    mark = bench.now
    bench.adopt(bench.new_session())
    return (yield from comes_down(bench, mark, ("stopping", "disarmed")))


def takes_over(bench: Bench) -> Steps:
    """Say that this can't be seen from the link."""
    yield from calm(bench)
    raise NotKnown(
        "cannot be seen from the link: turn a wheel by hand, start the driver, and check that the mode is stopping"
    )


def ends(bench: Bench) -> Steps:
    """Say that this can't be seen from the link."""
    yield from calm(bench)
    raise NotKnown(
        "cannot be seen from the link: send the driver SIGTERM while wheels turn slowly, and check their power"
    )


def sleeps(bench: Bench) -> Steps:
    """Say that this can't be seen from the link."""
    yield from calm(bench)
    raise NotKnown(
        "cannot be seen from the link: suspend its computer for 3 s while wheels turn slowly; it must wake tripped"
    )


def hangs_up(bench: Bench) -> Steps:
    """With wheels turning, send the driver's process a hang-up, and check that it ends by itself."""
    if not bench.can_freeze:
        raise NotKnown(
            "needs the driver's process on this machine: give --pid, or close its terminal by hand and check"
        )
    yield from turning(bench)
    began_s, bench.hung_up = bench.now, True
    yield from bench.until(lambda: bench.gone or bench.meets_hang_up == "ignored", LEAVES_S)
    met, took_ms = bench.meets_hang_up, (bench.now - began_s) * 1000
    if met == "ignored":
        raise NotKnown("it was started with hang-ups ignored, as by nohup, so a closed terminal changes nothing")
    if met == "not caught":
        raise Fails("the driver does not catch SIGHUP: it was killed while wheels turned, and did not cut their power")
    if not bench.gone:
        raise Fails(f"still running {LEAVES_S:g} s after a hang-up; outputs are {outputs(bench.status)} rpm")
    if met != "caught":
        raise NotKnown(
            f"ended after {took_ms:.0f} ms; this system can't tell whether it caught the hang-up: check by hand"
        )
    return f"caught, ended after {took_ms:.0f} ms; check by hand that the wheels have no power: the link can't show it"


CHECKS: tuple[Check, ...] = (
    Check("stops-turning", "L18", "sends stop of another session, then nothing",
          "outputs fall at the quick rate", stops, "armed"),
    Check("rests", "L23", "disarms while turning",
          "stopping, then disarmed at rest, reported no sooner than it is known", rests, "armed"),
    Check("arm-turning", "L20", "arms before the wheels rest", "refused for the whole epoch", arm_turning, "armed"),
    Check("watchdog-turning", "L16", "falls silent while wheels turn",
          "it trips, and outputs fall without help", watchdog, "armed"),
    Check("clear-turning", "L21", "clears while wheels turn", "refused", clear_turning, "armed"),
    Check("held-back", "L13", "holds frames back for 3 s, then sends them all",
          "no old frame acts", held_back, "armed"),
    Check("frozen", "L1", "freezes the driver for 1 s", "it wakes tripped", frozen, "armed"),
    Check("session-turning", "L3", "sends a new session's hello",
          "wheels come down as after a stop", session_turning, "armed"),
    Check("takes-over", "L22", "nothing: cannot be seen from the link",
          "turning wheels are brought down", takes_over),
    Check("ends", "L29", "nothing: cannot be seen from the link", "outputs have no power", ends),
    Check("sleeps", "L31", "nothing: cannot be seen from the link", "a computer that slept wakes tripped", sleeps),
)  # fmt: skip

LAST: tuple[Check, ...] = (
    Check("hangs-up", "L29", "sends the driver's process a hang-up", "it ends by itself, in order", hangs_up, "armed"),
)
"""These checks end the driver, so they come last."""
