"""Carry out a decision: one function an action, one row an action in `ACTIONS`.

Rule of this file: it does what was decided and decides nothing. On every start wheels come first and the feed second;
on every end the feed comes first and the wheels second.
"""

from collections.abc import Callable
from typing import Any

from drillfeed.daemon.engine import decision as do
from drillfeed.daemon.engine.apply_practice import PRACTICE_ACTIONS
from drillfeed.daemon.engine.apply_setup import SETUP_ACTIONS
from drillfeed.daemon.engine.decision import Decision
from drillfeed.daemon.engine.events import CautionsAccepted, FaultLatched, HopperCounted
from drillfeed.daemon.engine.timeline import ZERO
from drillfeed.daemon.engine.turn import Turn
from drillfeed.protocol.errors import refuse
from drillfeed.protocol.texts.catalogue import text


def carry_out(turn: Turn, decision: Decision) -> str:
    """Carry out the actions in their order; return what the last one has to say to whoever asked, or nothing."""
    said = ""
    for action in decision.actions:
        said = ACTIONS[type(action)](turn, action) or said
    return decision.answer or said


def _follow(turn: Turn, action: do.Follow) -> None:
    turn.follow(action.event, action.reason)


def _tell(turn: Turn, action: do.Tell) -> None:
    turn.tell(action.event)


def _fall(turn: Turn) -> None:
    """Come to rest: the feed closes with the new epoch, and the wheels run down at the quick rate."""
    parts = turn.parts
    run = parts.live_run
    if run is not None:
        parts.motion.may_leave_until(run.set_run.window_end_s())
    parts.motion.put(turn.now_s, ZERO)
    parts.motion.use_quick_rates()
    turn.begin_epoch("stop")
    waits = parts.pending.command
    if waits is not None:
        turn.refuse_pending(refuse("stop.overtook", verb=waits.verb))


def _latch(turn: Turn, action: do.Latch) -> None:
    mode, fault, link = turn.parts.mode, action.fault, turn.parts.link
    if mode.latch(fault):
        recent = link.recent_lines(turn.now_s)
        told = FaultLatched(turn.now_s, fault.cause, fault.hint, fault.next_step, fault.text, recent)
        turn.tell(told)
    mode.count_stop()
    _fall(turn)
    turn.parts.motion.forget_home()  # power may have been cut in mid-move
    first = mode.fault or fault
    turn.follow("fault", text("fault.latched", cause=first.cause, seen=first.text))


def _stop(turn: Turn, action: do.Stop) -> str:
    mode = turn.parts.mode
    was_feeding = mode.state == "FEEDING"
    mode.count_stop()
    _fall(turn)
    # A stop on top of a fault is carried out and changes nothing about the cause that is shown.
    turn.follow("stop", mode.reason if mode.fault is not None else text("stop.by", by=action.by))
    said = "stop.feeding" if was_feeding else "stop.done"
    return text(said, count=mode.stop_count)


def _order(turn: Turn, action: do.Order) -> None:
    turn.begin_epoch(action.kind)


def _ask_driver(turn: Turn, action: do.AskDriver) -> None:
    turn.parts.pending.wait(action.token, action.verb, turn.now_s)
    if action.seed is not None:
        # Before the order goes: what the driver finds when it arms must ask for what is, or the first axis moves.
        turn.parts.motion.seed(action.seed)
    turn.begin_epoch(action.verb)


def _answer_pending(turn: Turn, action: do.AnswerPending) -> None:
    turn.answer_pending(action.answer)


def _refuse_pending(turn: Turn, action: do.RefusePending) -> None:
    turn.refuse_pending(action.refused)


def _disarm(turn: Turn, action: do.Disarm) -> None:
    motion, run = turn.parts.motion, turn.parts.practice.run
    motion.put(turn.now_s, ZERO)
    if not turn.parts.in_setup:
        motion.may_leave_until(run.set_run.window_end_s() if run is not None else None)
    turn.begin_epoch("disarm")
    turn.follow("disarm", action.reason)


def _come_to_rest(turn: Turn, action: do.ComeToRest) -> None:
    turn.parts.motion.use_plain_rates()
    turn.follow(action.event, turn.parts.mode.reason)


def _clear(turn: Turn, action: do.Clear) -> None:
    turn.parts.mode.clear()


def _accept_cautions(turn: Turn, action: do.AcceptCautions) -> None:
    turn.parts.mode.accept_cautions()
    turn.tell(CautionsAccepted(turn.now_s, "accepted", action.by))


def _count_hopper(turn: Turn, action: do.CountHopper) -> None:
    turn.parts.feeder.count_hopper(action.balls)
    turn.tell(HopperCounted(turn.now_s, action.balls))


def _crank_at_mark(turn: Turn, action: do.CrankAtMark) -> None:
    turn.parts.feeder.crank_at_mark()


ACTIONS: dict[type, Callable[[Turn, Any], str | None]] = {
    do.Follow: _follow,
    do.Tell: _tell,
    do.Stop: _stop,
    do.Latch: _latch,
    do.Order: _order,
    do.AskDriver: _ask_driver,
    do.AnswerPending: _answer_pending,
    do.RefusePending: _refuse_pending,
    do.Disarm: _disarm,
    do.ComeToRest: _come_to_rest,
    do.Clear: _clear,
    do.AcceptCautions: _accept_cautions,
    do.CountHopper: _count_hopper,
    do.CrankAtMark: _crank_at_mark,
    **PRACTICE_ACTIONS,
    **SETUP_ACTIONS,
}
