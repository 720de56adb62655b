"""Set-up: the owner at the machine turns one axis, or throws one ball, for as long as a hand holds."""

from drillfeed.daemon.engine import decision as do
from drillfeed.daemon.engine.checks import check_driver, check_hopper, check_standing
from drillfeed.daemon.engine.decision import Decision, decide
from drillfeed.daemon.engine.hold import FEED_AHEAD_S, SETUP_RIM_MPS, Hold
from drillfeed.daemon.engine.parts import Parts
from drillfeed.daemon.engine.request import Request
from drillfeed.daemon.machine import WheelName
from drillfeed.daemon.planning.setting import Setting
from drillfeed.protocol.errors import refuse
from drillfeed.protocol.link import LATE_S
from drillfeed.protocol.texts.catalogue import text


def _in_hand(parts: Parts, now_s: float) -> Hold:
    """Return what is held, or raise Refused if no hand is on it."""
    if not parts.hold.held(now_s):
        raise refuse("setup.not-held", token=max(parts.hold.token, 0) + 1)
    return parts.hold


def switch(parts: Parts, request: Request, now_s: float) -> Decision:
    """Go into set-up or out of it; neither turns anything."""
    on, name = request.command.values["switch"] == "on", request.caller.name
    if on == parts.in_setup:
        return decide(answer=text("setup.on-already" if on else "setup.off-already"))
    if not on:
        return decide(do.Disarm(text("setup.ended-by", name=name)), answer=text("setup.off"))
    check_driver(parts, now_s)
    check_standing(parts, now_s)
    return decide(do.BeginSetup(text("setup.begun-by", name=name)), answer=text("setup.on", rim_mps=SETUP_RIM_MPS))


def hold(parts: Parts, request: Request, now_s: float) -> Decision:
    """Take a fresh token: what was asked for goes on for another 300 ms."""
    token = request.number("token")
    if token <= parts.hold.token:
        raise refuse("setup.stale-token", token=token, newest=parts.hold.token)
    return decide(do.TakeToken(token), answer=text("setup.held"))


def jog(parts: Parts, request: Request, now_s: float) -> Decision:
    """Turn a wheel, or the tilt, for as long as it is held."""
    _in_hand(parts, now_s)
    axis, to = request.command.values["axis"], float(request.command.values["to"])
    if axis == "tilt":
        reach = parts.machine.tilt
        if not reach.low_deg <= to <= reach.high_deg:
            raise refuse("setup.tilt-beyond", to_deg=to, low_deg=reach.low_deg, high_deg=reach.high_deg)
        return decide(do.AskAxis("tilt", to), answer=text("setup.tilt", to_deg=to))
    wheel: WheelName = "top" if axis == "top" else "bottom"
    _check_slow(parts, wheel, to)
    rim_mps = parts.machine.wheel(wheel).rim_mps(to)
    return decide(do.AskAxis(wheel, to), answer=text("setup.wheel", wheel=wheel, to_rpm=to, rim_mps=rim_mps))


def _check_slow(parts: Parts, name: WheelName, rpm: float) -> None:
    wheel = parts.machine.wheel(name)
    fastest = min(wheel.rpm(SETUP_RIM_MPS), wheel.highest_rpm)
    slowest = -fastest if wheel.reverse else 0.0
    if rpm != 0 and not (slowest <= rpm <= fastest and abs(rpm) >= wheel.lowest_rpm):
        between = {"low_rpm": max(wheel.lowest_rpm, 0), "high_rpm": fastest}
        raise refuse("setup.wheel-beyond", wheel=name, rpm=rpm, rim_mps=SETUP_RIM_MPS, **between)


def feed(parts: Parts, request: Request, now_s: float) -> Decision:
    """Throw one ball: one a hold, with both wheels turning and arrived."""
    held = _in_hand(parts, now_s)
    if held.push is not None:
        raise refuse("setup.ball-had")
    check_hopper(parts)
    top, bottom = held.targets.get("top", 0.0), held.targets.get("bottom", 0.0)
    if not (top and bottom):
        raise refuse("setup.wheels-stand")
    here = parts.motion.axes.now_at()
    setting = Setting(top, bottom, held.targets.get("tilt", here.tilt_deg))
    status, measured = parts.link.status, parts.link.measured_median(now_s)
    away = text("setup.no-status") if status is None else parts.motion.axes.away(setting, measured, status)
    if away is not None:
        raise refuse("setup.not-there", away=away)
    return _ball(parts, now_s)


def _ball(parts: Parts, now_s: float) -> Decision:
    """Decide on the one ball of this hold."""
    at_s, feeder = now_s + FEED_AHEAD_S, parts.machine.feeder
    may_leave_until_s = at_s + LATE_S + feeder.latency_s + feeder.spread_s
    said = text("setup.ball-comes", in_s=FEED_AHEAD_S + feeder.latency_s)
    return decide(do.AskBall(at_s, at_s + LATE_S + parts.feeder.turn_s, may_leave_until_s), answer=said)


def release(parts: Parts, now_s: float) -> Decision:
    """Take the hand off at once, whoever asks."""
    if not parts.hold.held(now_s):
        return decide(answer=text("setup.nothing-held"))
    return decide(do.Release(), answer=text("setup.let-go"))
