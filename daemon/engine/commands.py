"""The commands that the engine carries out: one function a verb, one row a verb in `HANDLERS`.

Rule of this file: a handler reads the parts and returns a decision, or raises Refused; it changes nothing.
"""

from collections.abc import Callable
from dataclasses import replace

from drillfeed.daemon.engine import decision as do
from drillfeed.daemon.engine import setup_commands as setup
from drillfeed.daemon.engine.checks import (
    check_crank,
    check_driver,
    check_hopper,
    check_next_set,
    check_profile,
    check_standing,
)
from drillfeed.daemon.engine.decision import Decision, decide
from drillfeed.daemon.engine.fault import AT_THE_MACHINE
from drillfeed.daemon.engine.live_changes import change, queue
from drillfeed.daemon.engine.marking import mark
from drillfeed.daemon.engine.offers import offer, offered
from drillfeed.daemon.engine.parts import Parts
from drillfeed.daemon.engine.player import choose
from drillfeed.daemon.engine.request import Request
from drillfeed.daemon.engine.run_up import RESUME_CUE_S, START_CUE_S
from drillfeed.daemon.engine.states import RUNNING
from drillfeed.daemon.planning.plan import DrillPlan
from drillfeed.protocol.commands import check_state, line_of
from drillfeed.protocol.errors import refuse
from drillfeed.protocol.link import WATCHDOG_FEED_S
from drillfeed.protocol.spec import Command
from drillfeed.protocol.texts.catalogue import text

Handler = Callable[[Parts, Request, float], Decision]


def _arm(parts: Parts, request: Request, now_s: float) -> Decision:
    _check_free(parts)
    check_driver(parts, now_s)
    assert parts.link.driver is not None
    if not parts.mode.cautions_accepted and not parts.link.driver.hello.simulated:
        raise refuse("arm.cautions")
    check_standing(parts, now_s)
    status = parts.link.status
    assert status is not None
    return decide(do.AskDriver(request.token, "arm", seed=status), answer=None)


def _check_free(parts: Parts) -> None:
    """Raise Refused while another command waits for the driver."""
    if parts.pending.command is not None:
        raise refuse("driver.busy", verb=parts.pending.command.verb)


def _disarm(parts: Parts, request: Request, now_s: float) -> Decision:
    return decide(do.Disarm(text("disarm.by", name=request.caller.name)), answer=text("disarm.done"))


def _load(parts: Parts, request: Request, now_s: float) -> Decision:
    plan = request.plan
    assert plan is not None
    sets = text("count.sets", count=len(plan.sets))
    tempo = ", ".join(dict.fromkeys(text("tempo.per-min", tempo=set_plan.tempo_text()) for set_plan in plan.sets))
    drill = {"drill": plan.drill.name, "balls": plan.balls, "seed": plan.seed}
    return decide(do.Load(plan), answer=text("load.done", sets=sets, tempo=tempo, **drill))


def _check_count(parts: Parts, request: Request) -> None:
    """Raise Refused unless a start quotes the stop count of now: one sent before a stop comes to nothing."""
    quoted, count = request.number("stop_count"), parts.mode.stop_count
    if quoted != count:
        right = Command(request.command.verb, {**request.command.values, "stop_count": count})
        raise refuse("start.stop-count", expected=count, found=quoted, line=line_of(right))


def _start(parts: Parts, request: Request, now_s: float) -> Decision:
    _check_count(parts, request)
    if parts.practice.plan is None:
        raise refuse("drill.none")
    return _begin(parts, parts.practice.plan, now_s)


def _throw(parts: Parts, request: Request, now_s: float) -> Decision:
    _check_count(parts, request)
    assert request.plan is not None
    return _begin(parts, request.plan, now_s)


def _begin(parts: Parts, plan: DrillPlan, now_s: float) -> Decision:
    check_driver(parts, now_s)
    check_standing(parts, now_s)
    check_hopper(parts)
    check_crank(parts, plan.sets[0], 0)
    return decide(do.BeginRun(plan))


def _pause(parts: Parts, request: Request, now_s: float) -> Decision:
    state = parts.mode.state
    if state == "SETUP":
        return setup.release(parts, now_s)
    if state not in RUNNING or state == "PAUSED":
        return decide(answer=text("pause.already" if state == "PAUSED" else "pause.nothing"))
    said = "pause.feeding" if state == "FEEDING" else "pause.done"
    return decide(do.Pause(text("pause.by", name=request.caller.name)), answer=text(said))


def _settle_first(parts: Parts, verb: str) -> tuple[do.Action, ...]:
    """Return what settles the balls of a pause; raise Refused while the driver has not shown its epoch."""
    if parts.practice.open_feeds_settled:
        return ()
    if not parts.link.epoch_shown:
        raise refuse("pause.unsettled", verb=verb)
    return (do.SettleOpenFeeds(),)


def _resume(parts: Parts, request: Request, now_s: float) -> Decision:
    run = parts.practice.running
    settle = _settle_first(parts, "resume")
    begin = do.BeginSet("resume", run.plan.drill.resume_delay_s, RESUME_CUE_S)
    if run.set_run.next_after_pause is not None:
        check_hopper(parts)
        check_crank(parts, run.set_plan, run.set_run.fed)
        return decide(*settle, begin)
    if run.has_next:
        check_next_set(parts, run.plan.sets[run.index + 1])
        return decide(*settle, do.NextSet(), begin)
    return _over(parts, settle, text("drill.all-thrown"))


def _over(parts: Parts, before: tuple[do.Action, ...], reason: str) -> Decision:
    """No ball is left: rest before the queued drill; without one, or if that rest is skipped too, end the drill."""
    queued = parts.practice.queued
    if queued is None or parts.mode.state == "RESTING":
        return decide(*before, do.EndDrill(reason), answer=text("drill.over"))
    said = text("drill.next", drill=queued.plan.drill.name)
    return decide(*before, do.Rest(None), do.Follow("skip", reason), answer=said)


def _ready(parts: Parts, request: Request, now_s: float) -> Decision:
    practice = parts.practice
    check_next_set(parts, practice.set_to_come)
    queued = practice.queued if practice.queued is not None and practice.running.is_over else None
    drill = queued.plan.drill if queued is not None else practice.running.plan.drill
    return decide(do.BeginQueued(), do.BeginSet("ready", drill.start_delay_s, START_CUE_S))


def _offer(parts: Parts, request: Request, now_s: float) -> Decision:
    made, said = offer(parts, request.caller, now_s)
    return decide(do.MakeOffer(made), answer=said)


def _confirm(parts: Parts, request: Request, now_s: float) -> Decision:
    command = offered(parts, request.number("number"), now_s)
    return HANDLERS[command.verb](parts, replace(request, command=command), now_s)


def _skip(parts: Parts, request: Request, now_s: float) -> Decision:
    run, reason = parts.practice.running, text("skip.by", name=request.caller.name)
    if parts.mode.state == "FEEDING":
        return decide(do.CutSet(), answer=text("skip.feeding"))
    settle = _settle_first(parts, "skip") if parts.mode.state == "PAUSED" else ()
    if not run.has_next:
        return _over(parts, (*settle, do.CutSet()), reason)
    said = text("skip.next", number=run.index + 2, sets=len(run.plan.sets))
    return decide(*settle, do.NextSet(), do.Rest(None), do.Follow("skip", reason), answer=said)


def _clear(parts: Parts, request: Request, now_s: float) -> Decision:
    _check_free(parts)
    fault, status = parts.mode.fault, parts.link.status
    if fault is not None and fault.cause in AT_THE_MACHINE and not request.caller.here:
        raise refuse("clear.at-the-machine", cause=fault.cause)
    if status is not None and status.faults and parts.link.status_age_s(now_s) < WATCHDOG_FEED_S:
        raise refuse("clear.lasts", causes="; ".join(f"{fault.part}: {fault.what}" for fault in status.faults))
    return decide(do.AskDriver(request.token, "clear"), answer=None)


def _balls(parts: Parts, request: Request, now_s: float) -> Decision:
    count, holds = request.number("count"), parts.machine.hopper.balls
    more = text("hopper.over-full", holds=holds) if count > holds else ""
    return decide(do.CountHopper(count), answer=text("hopper.counted", left=count) + more)


def _crank_at_mark(parts: Parts, request: Request, now_s: float) -> Decision:
    if not parts.feeder.is_timed_crank:
        return decide(answer=text("crank.not-needed"))
    return decide(do.CrankAtMark(), answer=text("crank.at-mark"))


def _cautions(parts: Parts, request: Request, now_s: float) -> Decision:
    return decide(do.AcceptCautions(request.caller.name), answer=text("cautions.done"))


HANDLERS: dict[str, Handler] = {
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
    "crank-at-mark": _crank_at_mark,
    "setup": setup.switch,
    "hold": setup.hold,
    "jog": setup.jog,
    "feed": setup.feed,
    "cautions": _cautions,
}


def decided(parts: Parts, request: Request, now_s: float) -> Decision:
    """Return what a command decides; raise Refused if it is not possible, with nothing changed."""
    check_state(request.command, parts.mode.state)
    if request.plan is not None:
        check_profile(parts, request.plan)
    return HANDLERS[request.command.verb](parts, request, now_s)
