"""Carry out what was decided in set-up.

Rule of this file: the end of the hold is part of what the driver is sent. Each fresh token plans the run-down 300 ms
after itself, so silence, a lost client or a slow network stops by itself; nothing here goes on without a hand.
"""

from collections.abc import Callable
from typing import Any

from drillfeed.daemon.engine import decision as do
from drillfeed.daemon.engine.events import SetupBallSettled, SetupReleased
from drillfeed.daemon.engine.hold import Push
from drillfeed.daemon.engine.timeline import ZERO
from drillfeed.daemon.engine.turn import Turn
from drillfeed.protocol.link import TICK_S


def _plan(turn: Turn) -> None:
    """Ask for what is held, and for the run-down when the newest token ends."""
    hold, motion = turn.parts.hold, turn.parts.motion
    motion.put(turn.now_s, {**ZERO, **hold.targets})
    motion.put(hold.until_s, ZERO)


def _begin(turn: Turn, action: do.BeginSetup) -> None:
    motion = turn.parts.motion
    turn.parts.practice.drop_run()
    motion.put(turn.now_s, ZERO)
    motion.may_leave_until(None)
    motion.use_plain_rates()
    motion.forget_home()  # a hand moves it now
    turn.begin_epoch(None)
    turn.follow("setup", action.reason)
    turn.parts.hold.reset()


def _take_token(turn: Turn, action: do.TakeToken) -> None:
    _lapse(turn)
    turn.parts.hold.take(action.token, turn.now_s)
    _plan(turn)


def _ask_axis(turn: Turn, action: do.AskAxis) -> None:
    turn.parts.hold.ask(action.axis, action.target)
    _plan(turn)


def _ask_ball(turn: Turn, action: do.AskBall) -> None:
    push = Push(turn.parts.feeder.next_id(), action.at_s, action.open_until_s)
    turn.parts.hold.ask_ball(push)
    turn.parts.motion.may_leave_until(action.may_leave_until_s)


def _lapse(turn: Turn, action: do.LapseHold | None = None) -> None:
    """Forget what was asked for once the hand is off; the run-down was planned with the last token."""
    hold = turn.parts.hold
    if not hold.lapsed(turn.now_s):
        return
    push = hold.push
    if push is not None and push.at_s <= turn.now_s <= push.open_until_s:
        turn.parts.feeder.crank_lost()  # its feed closes in mid-turn
    hold.release()
    turn.tell(SetupReleased(turn.now_s, "let-go"))


def _release(turn: Turn, action: do.Release) -> None:
    turn.parts.hold.end_at(turn.now_s - TICK_S)
    turn.parts.motion.put(turn.now_s, ZERO)
    turn.begin_epoch(None)
    _lapse(turn)


def _settle_push(turn: Turn, action: do.SettlePush) -> None:
    turn.parts.hold.ball_told()
    if action.result == "done":
        turn.ball_went()
    turn.tell(SetupBallSettled(turn.now_s, action.result, action.id, action.reason))


SETUP_ACTIONS: dict[type, Callable[[Turn, Any], str | None]] = {
    do.BeginSetup: _begin,
    do.TakeToken: _take_token,
    do.AskAxis: _ask_axis,
    do.AskBall: _ask_ball,
    do.LapseHold: _lapse,
    do.Release: _release,
    do.SettlePush: _settle_push,
}
