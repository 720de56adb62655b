"""Set-up: the owner at the machine turns one axis, or throws one ball, for as long as a hand holds.

Rule of this file: the end of the hold is part of what the driver is sent. Each fresh token plans the run-down 300 ms
after itself, so that silence, a lost client or a slow network stops by itself; nothing here goes on without a hand.
"""

from dataclasses import dataclass, field
from typing import TYPE_CHECKING

from drillfeed.daemon.engine.checks import check_driver, check_hopper, check_standing
from drillfeed.daemon.engine.schedule import NO_ANSWER_S, ZERO
from drillfeed.daemon.machine import WheelName
from drillfeed.daemon.planning.setting import Setting
from drillfeed.protocol.errors import Refused
from drillfeed.protocol.link import LATE_S, LEAST_LEAD_S, TICK_S, Axis, Feed

if TYPE_CHECKING:
    from drillfeed.daemon.engine.engine import Engine
    from drillfeed.daemon.engine.orders import Given

SETUP_RIM_MPS = 1.5
"""No rim runs faster in set-up: a ball rolls out and falls. House rule, no source."""
HELD_S = 0.300
SETUP_LEAD_S = LEAST_LEAD_S + TICK_S
FEED_AHEAD_S = LEAST_LEAD_S + 3 * TICK_S


@dataclass
class Push:
    """The one ball of this hold: its feed at `at_s`, and until when the feed stays open for it."""

    id: int
    at_s: float
    open_until_s: float
    told: bool = False


@dataclass
class Setup:
    """What a hand holds: the newest token, until when it counts, what was asked for since the hand came down."""

    token: int = -1
    until_s: float = float("-inf")
    targets: dict[Axis, float] = field(default_factory=dict)
    push: Push | None = None
    holding: bool = False

    def held(self, now_s: float) -> bool:
        """Tell whether a hand is on it."""
        return self.holding and now_s <= self.until_s

    def feed_closed(self, now_s: float) -> str | None:
        """Return why no ball may be fed just now, or None."""
        if not self.held(now_s):
            return "nobody holds"
        if self.push is None or now_s > self.push.open_until_s:
            return "no ball was asked for"
        return None

    def feeds(self, now_s: float) -> tuple[Feed, ...]:
        """Return the ball that belongs into a setpoint sent now, its moment on the daemon's clock."""
        push = self.push
        return () if push is None or now_s > push.at_s else (Feed(id=push.id, at_s=push.at_s),)


def _in_hand(engine: "Engine", now_s: float) -> Setup:
    """Return the set-up, or raise Refused where no hand is on it."""
    setup = engine.setup
    assert setup is not None
    if not setup.held(now_s):
        again = f"hold {max(setup.token, 0) + 1}, and so on each 100 ms"
        raise Refused("not-held", "nothing moves unless it is held", do=again)
    return setup


def switch(engine: "Engine", given: "Given", now_s: float) -> str | None:
    """Go into set-up or out of it; neither turns anything."""
    on = given.command.values["switch"] == "on"
    if on == (engine.state == "SETUP"):
        return "set-up is on already" if on else "set-up is off already"
    if not on:
        engine.legs.put(now_s, ZERO)
        engine.begin_epoch("disarm", now_s)
        engine.move("disarm", now_s, f"set-up ended by {given.caller.name}")
        return "set-up ends; wheels run down"
    check_driver(engine, now_s)
    check_standing(engine, now_s)
    engine.run = None  # what the exit sensor sees from now on belongs to no drill
    engine.legs.put(now_s, ZERO)
    engine.open_window_s = None
    engine.quick = False
    engine.begin_epoch(None, now_s)
    engine.move("setup", now_s, f"set-up begun by {given.caller.name}", "wheels")
    engine.setup = Setup()
    return f"set-up: what is held turns, at most {SETUP_RIM_MPS:g} m/s at the rim; next: hold 1, and so on each 100 ms"


def hold(engine: "Engine", given: "Given", now_s: float) -> str | None:
    """Take a fresh token: what was asked for goes on for another 300 ms."""
    setup, token = engine.setup, given.number("token")
    assert setup is not None
    if token <= setup.token:
        raise Refused("not-held", f"token {token} is not fresh", expected=f"above {setup.token}")
    _lapse(engine, setup, now_s)
    setup.token, setup.holding, setup.until_s = token, True, now_s + HELD_S
    _plan(engine, setup, now_s)
    return "held"


def jog(engine: "Engine", given: "Given", now_s: float) -> str | None:
    """Turn a wheel, or the tilt, for as long as it is held."""
    setup = _in_hand(engine, now_s)
    axis, to = given.command.values["axis"], float(given.command.values["to"])
    if axis == "tilt":
        reach = engine.machine.tilt
        if not reach.low_deg <= to <= reach.high_deg:
            _beyond(f"tilt {to:g} degrees", f"{reach.low_deg:g} to {reach.high_deg:g}")
        setup.targets["tilt"] = to
        text = f"tilt to {to:g} degrees"
    else:
        wheel: WheelName = "top" if axis == "top" else "bottom"
        _check_slow(engine, wheel, to)
        setup.targets[wheel] = to
        text = f"{wheel} wheel to {to:,.0f} rpm, {engine.machine.wheel(wheel).rim_mps(to):.2f} m/s at the rim"
    _plan(engine, setup, now_s)
    return f"{text}, while held"


def _check_slow(engine: "Engine", name: WheelName, rpm: float) -> None:
    wheel = engine.machine.wheel(name)
    most = min(wheel.rpm(SETUP_RIM_MPS), wheel.highest_rpm)
    least = -most if wheel.reverse else 0.0
    if rpm != 0 and not (least <= rpm <= most and abs(rpm) >= wheel.lowest_rpm):
        running = f"0, or {max(wheel.lowest_rpm, 0):,.0f} to {most:,.0f} rpm ({SETUP_RIM_MPS:g} m/s at the rim)"
        _beyond(f"{name} wheel {rpm:,.0f} rpm", running)


def _beyond(what: str, allowed: str) -> None:
    raise Refused("beyond-setup", f"{what} is more than set-up allows", expected=allowed)


def feed(engine: "Engine", given: "Given", now_s: float) -> str | None:
    """Throw one ball: one a hold, with both wheels turning and arrived."""
    setup = _in_hand(engine, now_s)
    if setup.push is not None:
        raise Refused("not-held", "one ball a hold: this hold has had its ball", do="let go, hold again, jog, feed one")
    check_hopper(engine)
    top, bottom = setup.targets.get("top", 0.0), setup.targets.get("bottom", 0.0)
    if not (top and bottom):
        raise Refused("beyond-setup", "a ball would stick between wheels that stand", do="jog top RPM, jog bottom RPM")
    standing = engine.axes.now_at()
    wanted = Setting(top, bottom, setup.targets.get("tilt", standing.tilt_deg))
    status = engine.link.status
    away = "no status" if status is None else engine.axes.away(wanted, engine.link.measured_median(now_s), status)
    if away is not None:
        raise Refused("beyond-setup", f"not there yet: {away}", do="hold on, then: feed one")
    at_s = now_s + FEED_AHEAD_S
    feeder = engine.machine.feeder
    setup.push = Push(engine.next_feed_id(), at_s, at_s + LATE_S + engine.turn_s)
    engine.open_window_s = at_s + LATE_S + feeder.latency_s + feeder.spread_s
    return f"one ball in {FEED_AHEAD_S + feeder.latency_s:.1f} s, if it is held until then"


def _plan(engine: "Engine", setup: Setup, now_s: float) -> None:
    engine.legs.put(now_s, {**ZERO, **setup.targets})
    engine.legs.put(setup.until_s, ZERO)


def _lapse(engine: "Engine", setup: Setup, now_s: float) -> None:
    """Forget what was asked for once the hand is off; the run-down was planned with the last token."""
    if not setup.holding or setup.held(now_s):
        return
    push = setup.push
    if push is not None and push.at_s <= now_s <= push.open_until_s and engine.machine.feeder.kind == "crank-timed":
        engine.crank_turns = None  # its feed closes in mid-turn
    setup.holding = False
    setup.targets.clear()
    setup.push = None if push is None or push.told else push
    engine.tell("log", "let go: wheels run down", now_s, setup="let-go")


def let_go(engine: "Engine", now_s: float) -> str:
    """Take the hand off at once, whoever asks."""
    setup = engine.setup
    assert setup is not None
    if not setup.held(now_s):
        return "nothing is held"
    setup.until_s = now_s - TICK_S
    engine.legs.put(now_s, ZERO)
    engine.begin_epoch(None, now_s)
    _lapse(engine, setup, now_s)
    return "let go; wheels run down; one ball already fed may still leave"


def progress(engine: "Engine", now_s: float) -> None:
    """See whether the hand is still on it, and tell what became of the ball."""
    setup, status = engine.setup, engine.link.status
    assert setup is not None
    _lapse(engine, setup, now_s)
    push = setup.push
    if push is None or status is None or push.told:
        return
    result = next((one for one in status.feeds if one.id == push.id), None)
    if result is None or (result.result == "unknown" and now_s <= push.open_until_s + NO_ANSWER_S):
        return
    push.told = True
    if result.result == "done":
        engine.ball_went(now_s)
    why = f": {result.reason}" if result.reason else ""
    engine.tell("log", f"set-up: one ball {result.result}{why}", now_s, setup=result.result, id=push.id)
    if not setup.holding:
        setup.push = None
