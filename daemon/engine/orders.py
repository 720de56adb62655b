"""The commands that the engine carries out: one function a verb, one row a verb in `ORDERS`.

Rule of this file: refuse before anything changes. A function returns the text of its answer, or None where the
answer waits for the driver.
"""

from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

from drillfeed.daemon.engine import setup
from drillfeed.daemon.engine.changing import begin_queued, change, queue, set_to_come
from drillfeed.daemon.engine.checks import check_crank, check_driver, check_hopper, check_next_set, check_standing
from drillfeed.daemon.engine.flow import (
    RESUME_CUE_S,
    START_CUE_S,
    begin_set,
    end_drill,
    next_set,
    pause,
    rest,
    running,
    start_text,
    take_back,
)
from drillfeed.daemon.engine.hazards import AT_THE_MACHINE
from drillfeed.daemon.engine.offers import OFFER_S, offer, offered
from drillfeed.daemon.engine.playing import Plays, check_profile, choose
from drillfeed.daemon.engine.run import DrillRun
from drillfeed.daemon.engine.schedule import ZERO
from drillfeed.daemon.engine.states import RUNNING
from drillfeed.daemon.engine.tally import mark
from drillfeed.daemon.planning.plan import DrillPlan
from drillfeed.protocol.commands import check_state, line_of
from drillfeed.protocol.errors import Refused
from drillfeed.protocol.lines import done, refusal
from drillfeed.protocol.link import WATCHDOG_FEED_S
from drillfeed.protocol.spec import Caller, Command

if TYPE_CHECKING:
    from drillfeed.daemon.engine.engine import Engine


@dataclass(frozen=True)
class Given:
    """A command as given: by whom, with the token that its answer goes to.

    `plan` is what the planner made of it; for a change, `base` is the plan that it was made from. `plays` is who was
    chosen to play, None for nobody in particular.
    """

    command: Command
    caller: Caller
    token: int
    plan: DrillPlan | None = None
    base: DrillPlan | None = None
    plays: Plays | None = None

    def number(self, name: str) -> int:
        """Return an integer argument."""
        return int(self.command.values[name])


def _arm(engine: "Engine", given: Given, now_s: float) -> str | None:
    from drillfeed.daemon.engine.engine import ANSWER_S, Pending

    if engine.pending is not None:
        raise Refused("busy", f"{engine.pending.verb} is not answered yet")
    check_driver(engine, now_s)
    assert engine.link.driver is not None
    if not engine.cautions_accepted and not engine.link.driver.hello.simulated:
        raise Refused("cautions", "the cautions are not acknowledged yet", do="help cautions, then: cautions accept")
    check_standing(engine, now_s)
    status = engine.link.status
    assert status is not None
    engine.pending = Pending(given.token, "arm", now_s + ANSWER_S)
    # Before the order goes: what the driver finds when it arms must ask for what is, or the first axis moves.
    engine.axes.seed(status)
    engine.begin_epoch("arm", now_s)
    return None


def _disarm(engine: "Engine", given: Given, now_s: float) -> str | None:
    engine.legs.put(now_s, ZERO)
    engine.open_window_s = engine.run.set_run.window_end_s() if engine.run else None
    engine.begin_epoch("disarm", now_s)
    engine.move("disarm", now_s, f"disarmed by {given.caller.name}")
    return "disarming; wheels run down"


def _load(engine: "Engine", given: Given, now_s: float) -> str | None:
    plan = given.plan
    assert plan is not None
    engine.plan, engine.run = plan, None
    engine.wanted = engine.queued = None
    sets = f"{len(plan.sets)} sets" if len(plan.sets) > 1 else "1 set"
    tempo = ", ".join(dict.fromkeys(f"{60 / one.interval_s:.1f}/min" for one in plan.sets))
    engine.tell("set", f"loaded {plan.drill.name}", now_s, drill=plan.drill.name, seed=plan.seed, balls=plan.balls)
    return f"{plan.drill.name}: {plan.balls} balls in {sets}, {tempo}, seed {plan.seed}"


def _check_count(engine: "Engine", given: Given) -> None:
    """Raise Refused unless a start quotes the stop count of now: one sent before a stop comes to nothing."""
    quoted = given.number("stop_count")
    right = Command(given.command.verb, {**given.command.values, "stop_count": engine.stop_count})
    if quoted != engine.stop_count:
        raise Refused(
            "stop-count",
            "start must quote the present stop count",
            expected=str(engine.stop_count),
            found=str(quoted),
            do=f"see that nobody is at the machine, then: {line_of(right)}",
        )


def _start(engine: "Engine", given: Given, now_s: float) -> str | None:
    _check_count(engine, given)
    if engine.plan is None:
        raise Refused("no-drill", "no drill is loaded", do="list drills, then: load NAME")
    return _begin(engine, engine.plan, now_s)


def _throw(engine: "Engine", given: Given, now_s: float) -> str | None:
    _check_count(engine, given)
    assert given.plan is not None
    return _begin(engine, given.plan, now_s)


def _begin(engine: "Engine", plan: DrillPlan, now_s: float) -> str:
    check_driver(engine, now_s)
    check_standing(engine, now_s)
    check_hopper(engine)
    check_crank(engine, plan.sets[0], 0)
    engine.run = DrillRun(plan, now_s, engine.machine.sensors.exit_sensor)
    leaves_s = begin_set(engine, plan.drill.start_delay_s, START_CUE_S, now_s)
    engine.move("start", now_s, start_text(leaves_s, now_s), "wheels")
    return start_text(leaves_s, now_s)


def _pause(engine: "Engine", given: Given, now_s: float) -> str | None:
    if engine.state == "SETUP":
        return setup.let_go(engine, now_s)
    if engine.state not in RUNNING or engine.state == "PAUSED":
        return "nothing to pause" if engine.state != "PAUSED" else "paused already"
    was_feeding = engine.state == "FEEDING"
    pause(engine, f"paused by {given.caller.name}", now_s)
    return "feed closing; one ball already fed may still leave; next: resume" if was_feeding else "paused; next: resume"


def _resume(engine: "Engine", given: Given, now_s: float) -> str | None:
    run = running(engine)
    if not take_back(engine, now_s):
        raise Refused("busy", "the driver has not yet said whether a last ball went", do="resume again in a moment")
    if run.set_run.next_ball is not None:
        check_hopper(engine)
        check_crank(engine, run.set_plan, run.set_run.fed)
    elif run.has_next:
        check_next_set(engine, run.plan.sets[run.index + 1])
        next_set(engine, now_s)
    else:
        return _over(engine, "all balls thrown", now_s)
    leaves_s = begin_set(engine, run.plan.drill.resume_delay_s, RESUME_CUE_S, now_s)
    engine.move("resume", now_s, start_text(leaves_s, now_s), "wheels")
    return start_text(leaves_s, now_s)


def _over(engine: "Engine", reason: str, now_s: float) -> str:
    """No ball is left: rest before the queued drill, or, where that rest is skipped too, the end."""
    if engine.queued is None or engine.state == "RESTING":
        end_drill(engine, reason, now_s)
        return "no ball is left; the drill is over"
    rest(engine, None, now_s)
    engine.move("skip", now_s, reason)
    return f"{engine.queued.plan.drill.name} is next; next: ready"


def _ready(engine: "Engine", given: Given, now_s: float) -> str | None:
    check_next_set(engine, set_to_come(engine))
    begin_queued(engine, now_s)
    run = running(engine)
    leaves_s = begin_set(engine, run.plan.drill.start_delay_s, START_CUE_S, now_s)
    engine.move("ready", now_s, start_text(leaves_s, now_s), "wheels")
    return start_text(leaves_s, now_s)


def _offer(engine: "Engine", given: Given, now_s: float) -> str | None:
    made = offer(engine, given.caller, now_s)
    return f"offered {made.what}; it stands for {OFFER_S:g} s, or until the player confirms it or does something else"


def _confirm(engine: "Engine", given: Given, now_s: float) -> str | None:
    command = offered(engine, given.number("number"), now_s)
    return ORDERS[command.verb](engine, replace(given, command=command), now_s)


def _skip(engine: "Engine", given: Given, now_s: float) -> str | None:
    run = running(engine)
    if engine.state == "FEEDING":
        run.set_run.cut()
        return "the set ends after the ball on its way"
    if engine.state == "PAUSED" and not take_back(engine, now_s):
        raise Refused("busy", "the driver has not yet said whether a last ball went", do="skip again in a moment")
    if not run.has_next:
        run.set_run.cut()
        return _over(engine, f"skipped by {given.caller.name}", now_s)
    next_set(engine, now_s)
    rest(engine, None, now_s)
    engine.move("skip", now_s, f"skipped by {given.caller.name}")
    return f"set {run.index + 1} of {len(run.plan.sets)} is next; next: ready"


def _clear(engine: "Engine", given: Given, now_s: float) -> str | None:
    from drillfeed.daemon.engine.engine import ANSWER_S, Pending

    if engine.pending is not None:
        raise Refused("busy", f"{engine.pending.verb} is not answered yet")
    if engine.fault is not None and engine.fault.cause in AT_THE_MACHINE and not given.caller.here:
        do = "cut the motor power, wait for the wheels, look; then, there: clear"
        raise Refused("not-allowed", f"{engine.fault.cause} is cleared at the machine itself", do=do)
    status = engine.link.status
    if status is not None and status.faults and engine.link.status_age_s(now_s) < WATCHDOG_FEED_S:
        causes = "; ".join(f"{fault.part}: {fault.what}" for fault in status.faults)
        raise Refused("fault-latched", f"the cause lasts: {causes}", do="mend it, then: clear")
    engine.pending = Pending(given.token, "clear", now_s + ANSWER_S)
    engine.begin_epoch("clear", now_s)
    return None


def _balls(engine: "Engine", given: Given, now_s: float) -> str | None:
    engine.hopper.left = given.number("count")
    engine.hopper.warned = engine.hopper.left <= engine.machine.hopper.low_at
    over = engine.hopper.left > engine.machine.hopper.balls
    more = f"; the profile says the hopper holds {engine.machine.hopper.balls}" if over else ""
    engine.tell("hopper", f"{engine.hopper.left} balls in the hopper", now_s, left=engine.hopper.left)
    return f"{engine.hopper.left} balls in the hopper{more}"


def _rephase(engine: "Engine", given: Given, now_s: float) -> str | None:
    if engine.machine.feeder.kind != "crank-timed":
        return "this feeder needs no re-phasing"
    engine.crank_turns = 0
    return "the crank counts as standing at its mark"


def _cautions(engine: "Engine", given: Given, now_s: float) -> str | None:
    engine.cautions_accepted = True
    engine.tell("log", f"cautions acknowledged by {given.caller.name}", now_s, cautions="accepted")
    return "acknowledged"


ORDERS: dict[str, Callable[["Engine", Given, float], str | None]] = {
    "arm": _arm,
    "disarm": _disarm,
    "load": _load,
    "start": _start,
    "throw": _throw,
    "mark": mark,
    "players": choose,
    "easier": change,
    "harder": change,
    "slower": change,
    "faster": change,
    "swap": change,
    "queue": queue,
    "pause": _pause,
    "resume": _resume,
    "ready": _ready,
    "offer": _offer,
    "confirm": _confirm,
    "skip": _skip,
    "clear": _clear,
    "balls": _balls,
    "rephase": _rephase,
    "setup": setup.switch,
    "hold": setup.hold,
    "jog": setup.jog,
    "feed": setup.feed,
    "cautions": _cautions,
}


def carry_out(engine: "Engine", given: Given, now_s: float) -> None:
    """Carry out a command, or refuse it with nothing changed; the answer goes to the given token."""
    verb = given.command.verb
    engine.link.note(now_s, "command", f"{verb} by {given.caller.name} ({given.caller.where})")
    try:
        check_state(given.command, engine.state)
        if given.plan is not None:
            check_profile(engine, given.plan)
        text = ORDERS[verb](engine, given, now_s)
    except Refused as refused:
        engine.answer(given.token, refusal(verb, refused))
        return
    if text is not None:
        engine.answer(given.token, done(verb, text))
