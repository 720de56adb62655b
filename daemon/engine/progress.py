"""What each state does by itself as time goes on: rules in the order in which they are asked.

Rule of this file: no rule leads from standstill, pause, stop or fault to motion; the one exception is a timed rest,
which is part of a start that a person gave. A rule reads and decides; a decision that `ends` the turn keeps the rules
after it from being asked.
"""

from collections.abc import Callable
from dataclasses import dataclass

from drillfeed.daemon.engine import decision as do
from drillfeed.daemon.engine.checks import check_next_set
from drillfeed.daemon.engine.decision import Decision, decide
from drillfeed.daemon.engine.events import RestNowWaits, WheelTurns
from drillfeed.daemon.engine.fault import Fault
from drillfeed.daemon.engine.link_condition import feed_trouble
from drillfeed.daemon.engine.parts import Parts
from drillfeed.daemon.engine.run_up import START_CUE_S
from drillfeed.daemon.engine.schedule import NO_ANSWER_S
from drillfeed.daemon.engine.standing import turning_text
from drillfeed.protocol.errors import Refused, refuse
from drillfeed.protocol.link import LEAD_S, MIN_LEAD_S, TICK_S, WATCHDOG_FEED_S, WATCHDOG_STOP_S
from drillfeed.protocol.status import State
from drillfeed.protocol.texts.catalogue import text

ARM_REFUSED = "arm refused"
MAX_MISSED = 3
COUNTDOWN_S = 3
# A driver without feedback counts a whole spin-down from outputs at zero, and a coasting output takes one to get there.
REST_PATIENCE = 2.0
REST_PATIENCE_S = 4.0


@dataclass(frozen=True)
class Rule:
    """One thing that a state does by itself."""

    look: Callable[[Parts, float], Decision | None]
    ends: bool = False


def _link_up(parts: Parts, now_s: float) -> Decision | None:
    fresh = parts.link.status_age_s(now_s) <= WATCHDOG_FEED_S
    return decide(do.Follow("link_up")) if fresh and parts.link.epoch_shown and parts.link.line is not None else None


def _link_lost(parts: Parts, now_s: float) -> Decision | None:
    if parts.link.status_age_s(now_s) <= WATCHDOG_STOP_S:
        return None
    refused = refuse("driver.fell-silent")
    return decide(do.RefusePending(refused), do.Follow("link_lost", text("link.fell-silent")))


def _tell_turning(parts: Parts, now_s: float) -> Decision | None:
    """Tell once that a wheel turns that nobody drives."""
    turning, told = turning_text(parts.link.status, parts.machine), parts.motion.standing.told
    if (turning is not None) == told:
        return None
    events = () if turning is None else (do.Tell(WheelTurns(now_s, text("step.cut-wait-look-only"), turning)),)
    return decide(do.NoteTurning(turning is not None), *events)


def _disarm_late_driver(parts: Parts, now_s: float) -> Decision | None:
    """Disarm a driver that armed too late: nobody waits for it any more."""
    status = parts.link.status
    armed = parts.link.epoch_shown and status is not None and status.mode == "armed"
    return decide(do.Order("disarm")) if parts.pending.command is None and armed else None


def _driver_armed(parts: Parts, now_s: float) -> Decision | None:
    command, status = parts.pending.command, parts.link.status
    if command is None or command.verb != "arm" or status is None or not parts.link.epoch_shown:
        return None
    if status.mode == "armed":
        doubts = parts.doubts.lines(now_s)
        if doubts or parts.at_rest(now_s)[0] is not True:
            why = "; ".join(doubts) or turning_text(status, parts.machine) or text("standing.unknown")
            return decide(do.RefusePending(refuse("arm.contradicts", why=why)), do.Order("stop"))
        return decide(do.Follow("armed"), do.AnswerPending(text("arm.done")))
    if status.mode_reason and ARM_REFUSED in status.mode_reason:
        return decide(do.RefusePending(refuse("driver.says", says=status.mode_reason)))
    return None


def _out_of_time(parts: Parts, now_s: float) -> Decision | None:
    run = parts.practice.running
    if now_s <= run.ends_s:
        return None
    return decide(do.EndDrill(text("drill.out-of-time", minutes=run.plan.drill.max_minutes)))


def _note_arrival(parts: Parts, now_s: float) -> Decision | None:
    stand = _stands(parts, now_s)
    return None if stand is None else decide(do.NoteArrival(stand))


def _stands(parts: Parts, now_s: float) -> bool | None:
    """Tell whether the axes stand at the first ball's setting (assumed without feedback); None if that is not known."""
    slot, status = parts.practice.running.set_run.slots[0], parts.link.status
    if status is None or not parts.link.epoch_shown:
        return None
    return parts.motion.axes.away(slot.ball.setting, parts.link.measured_median(now_s), status) is None


def _settled(parts: Parts, now_s: float) -> bool:
    """Tell whether the axes have stood at the first ball's setting for as long as they need to settle."""
    arrived_s, settling = parts.motion.arrived_s, parts.machine.settling
    if arrived_s is None or not _stands(parts, now_s):
        return False
    return now_s - arrived_s >= max(settling.wheels_s, settling.tilt_s)


def _at_speed(parts: Parts, now_s: float) -> Decision | None:
    ready = _settled(parts, now_s) and feed_trouble(parts.link, now_s) is None
    to_feed_s = parts.practice.running.set_run.slots[0].feed_at_s - now_s
    if ready:
        return decide(do.Follow("at_speed")) if to_feed_s <= LEAD_S + MIN_LEAD_S else None
    if to_feed_s < LEAD_S + 2 * TICK_S:
        return decide(do.ShiftFirstBall(LEAD_S + 3 * TICK_S - to_feed_s))
    return None


def _second(parts: Parts, now_s: float) -> Decision | None:
    """Tell the last seconds before the first ball of the present slots, each once."""
    leaves_s = parts.practice.running.set_run.slots[0].leaves_s
    left = int(leaves_s - now_s) + 1
    if left <= COUNTDOWN_S and left != parts.practice.told_seconds and leaves_s > now_s:
        return decide(do.TellSecond(left))
    return None


def _second_of_first_ball(parts: Parts, now_s: float) -> Decision | None:
    run = parts.practice.running
    return _second(parts, now_s) if run.last is None and run.set_run.slots else None


def _pause_after_misses(parts: Parts, now_s: float) -> Decision | None:
    run = parts.practice.running
    if run.set_run.missed_in_row < MAX_MISSED:
        return None
    reason = text("pause.missed", balls=MAX_MISSED, reason=(run.last.reason or "") if run.last else "")
    return decide(do.ForgetMisses(), do.Pause(reason))


def _pause_when_empty(parts: Parts, now_s: float) -> Decision | None:
    empty = parts.hopper_empty
    if empty is None or not parts.practice.running.set_run.unfinished:
        return None
    return decide(do.Pause(text("pause.hopper", empty=empty)))


def _pause_on_exit_trouble(parts: Parts, now_s: float) -> Decision | None:
    trouble = parts.practice.running.leaving.trouble(parts.hopper_low)
    return None if trouble is None else decide(do.ForgetExitTrouble(), do.Pause(trouble))


def _plan_next_ball(parts: Parts, now_s: float) -> Decision | None:
    return decide(do.PlanNextBall())


def _set_over(parts: Parts, now_s: float) -> Decision | None:
    over = parts.practice.running.set_run.over(now_s, parts.feeder.turn_s)
    return decide(do.EndSet()) if over else None


def _rest_over(parts: Parts, now_s: float) -> Decision | None:
    practice = parts.practice
    if practice.rest_until_s is None or now_s < practice.rest_until_s:
        return None
    try:
        check_next_set(parts, practice.running.set_plan)
    except Refused as refused:
        return decide(do.EndRest(), do.Tell(RestNowWaits(now_s, refused.text)))
    return decide(do.BeginSet("rest_timed_out", practice.running.plan.drill.start_delay_s, START_CUE_S))


def _settle_open_feeds(parts: Parts, now_s: float) -> Decision | None:
    settles = not parts.practice.open_feeds_settled and parts.link.epoch_shown
    return decide(do.SettleOpenFeeds()) if settles else None


def _take_waiting(parts: Parts, now_s: float) -> Decision | None:
    takes = parts.practice.open_feeds_settled and parts.practice.waiting is not None
    return decide(do.TakeWaiting()) if takes else None


def _hold_over(parts: Parts, now_s: float) -> Decision | None:
    until_s = parts.motion.hold_until_s
    return decide(do.EndHold()) if until_s is not None and now_s > until_s else None


def _rest_known(parts: Parts, now_s: float) -> bool:
    until_s = parts.motion.may_leave_until_s
    window_over = until_s is None or now_s > until_s
    heard = parts.link.epoch_shown or parts.link.status_age_s(now_s) > WATCHDOG_STOP_S
    return window_over and heard and parts.at_rest(now_s)[0] is True


def _out_of_patience(parts: Parts, now_s: float) -> bool:
    return now_s - parts.mode.since_s > REST_PATIENCE * parts.machine.spin_down_s + REST_PATIENCE_S


def _stopped(parts: Parts, now_s: float) -> Decision | None:
    status = parts.link.status
    if _rest_known(parts, now_s):
        armed = parts.mode.ends_armed and status is not None and status.mode == "armed"
        return decide(do.ComeToRest("at_rest_armed" if armed else "at_rest"))
    if _out_of_patience(parts, now_s):
        fault = Fault(
            "still-turning", text("seen.still-turning"), now_s, text("hint.still-turning"), text("step.cut-look")
        )
        return decide(do.Latch(fault))
    return None


def _stopped_by_fault(parts: Parts, now_s: float) -> Decision | None:
    if _rest_known(parts, now_s):
        return decide(do.ComeToRest("at_rest"))
    if _out_of_patience(parts, now_s):
        return decide(do.Follow("rest_unseen", text("fault.rest-unseen", reason=parts.mode.reason)))
    return None


def _cleared(parts: Parts, now_s: float) -> Decision | None:
    command, status = parts.pending.command, parts.link.status
    if command is None or command.verb != "clear":
        return None
    gone = parts.link.driver is None or parts.link.status_age_s(now_s) > WATCHDOG_STOP_S
    if gone or (status is not None and parts.link.epoch_shown and status.mode != "tripped"):
        return decide(do.Clear(), do.Follow("clear"), do.AnswerPending(text("clear.done")))
    return None


def _hold_lapsed(parts: Parts, now_s: float) -> Decision | None:
    return decide(do.LapseHold()) if parts.hold.lapsed(now_s) else None


def _push_settled(parts: Parts, now_s: float) -> Decision | None:
    push, status = parts.hold.push, parts.link.status
    if push is None or status is None or push.told:
        return None
    result = next((feed for feed in status.feeds if feed.id == push.id), None)
    if result is None or (result.result == "unknown" and now_s <= push.open_until_s + NO_ANSWER_S):
        return None
    return decide(do.SettlePush(push.id, result.result, result.reason))


PROGRESS: dict[State, tuple[Rule, ...]] = {
    "OFFLINE": (Rule(_link_up),),
    "IDLE": (
        Rule(_link_lost, ends=True),
        Rule(_tell_turning),
        Rule(_disarm_late_driver, ends=True),
        Rule(_driver_armed),
    ),
    "ARMED": (),
    "SPINUP": (Rule(_out_of_time, ends=True), Rule(_note_arrival), Rule(_at_speed), Rule(_second)),
    "FEEDING": (
        Rule(_out_of_time, ends=True),
        Rule(_second_of_first_ball),
        Rule(_pause_after_misses, ends=True),
        Rule(_pause_when_empty, ends=True),
        Rule(_pause_on_exit_trouble, ends=True),
        Rule(_plan_next_ball),
        Rule(_set_over),
    ),
    "RESTING": (Rule(_out_of_time, ends=True), Rule(_rest_over)),
    "PAUSED": (
        Rule(_out_of_time, ends=True),
        Rule(_settle_open_feeds),
        Rule(_take_waiting),
        Rule(_hold_over),
    ),
    "STOPPING": (Rule(_stopped),),
    "QUICKSTOP": (Rule(_stopped_by_fault),),
    "FAULT": (Rule(_cleared),),
    "SETUP": (Rule(_hold_lapsed), Rule(_push_settled)),
}
