"""What each state does by itself as time goes on: one row a state.

Rule of this file: no row leads from standstill, pause, stop or fault to motion; the one exception is a timed
rest, which stands inside a start that a person gave.
"""

from collections.abc import Callable
from typing import TYPE_CHECKING

from drillfeed.daemon.engine import setup
from drillfeed.daemon.engine.changing import take_wanted
from drillfeed.daemon.engine.checks import check_next_set
from drillfeed.daemon.engine.flow import (
    MISSED_MOST,
    START_CUE_S,
    begin_set,
    end_drill,
    end_set,
    pause,
    running,
    start_text,
    take_back,
)
from drillfeed.daemon.engine.hazards import Fault
from drillfeed.daemon.engine.schedule import ZERO, targets_of
from drillfeed.daemon.engine.standing import LOOK, turning_text
from drillfeed.protocol.errors import Refused
from drillfeed.protocol.lines import done
from drillfeed.protocol.link import LEAD_S, LEAST_LEAD_S, TICK_S, WATCHDOG_FEED_S, WATCHDOG_STOP_S
from drillfeed.protocol.status import State

if TYPE_CHECKING:
    from drillfeed.daemon.engine.engine import Engine

ARM_REFUSED = "arm refused"
# A driver without feedback counts a whole spin-down from outputs at zero, and a coasting output takes one to get there.
REST_PATIENCE = 2.0
REST_PATIENCE_S = 4.0


def _offline(engine: "Engine", now_s: float) -> None:
    fresh = engine.link.status_age_s(now_s) <= WATCHDOG_FEED_S
    if fresh and engine.link.epoch_shown and engine.link.line is not None:
        engine.move("link_up", now_s)


def _let_go(engine: "Engine", now_s: float) -> None:
    """Disarm a driver that armed too late: nobody waits for it any more."""
    status = engine.link.status
    if engine.link.epoch_shown and status is not None and status.mode == "armed":
        engine.begin_epoch("disarm", now_s)


def _tell_turning(engine: "Engine", now_s: float) -> None:
    """Let watchers know once that a wheel turns which nobody drives."""
    turning = turning_text(engine.link.status, engine.machine)
    if turning is not None and not engine.standing.told:
        engine.tell("log", turning, now_s, next_step=LOOK)
    engine.standing.told = turning is not None


def _idle(engine: "Engine", now_s: float) -> None:
    if engine.link.status_age_s(now_s) > WATCHDOG_STOP_S:
        engine.refuse_pending(Refused("no-driver", "the driver fell silent"))
        engine.move("link_lost", now_s, "the driver fell silent")
        return
    pending, status = engine.pending, engine.link.status
    _tell_turning(engine, now_s)
    if pending is None:
        _let_go(engine, now_s)
        return
    if pending.verb != "arm" or status is None or not engine.link.epoch_shown:
        return
    if status.mode == "armed":
        doubts = engine.doubts.lines(now_s)
        if doubts or engine.rest(now_s)[0] is not True:
            why = "; ".join(doubts) or turning_text(status, engine.machine) or "the wheels are not known to stand"
            engine.refuse_pending(Refused("driver-contradicts", f"armed, and {why}", do=LOOK))
            engine.begin_epoch("stop", now_s)
            return
        engine.pending = None
        engine.move("armed", now_s)
        engine.answer(pending.token, done("arm", "armed; wheels at rest"))
    elif status.mode_reason and ARM_REFUSED in status.mode_reason:
        engine.refuse_pending(Refused("driver-refused", f"the driver says: {status.mode_reason}", do="status"))


def _still(engine: "Engine", now_s: float) -> None:
    """Do nothing: this state waits for a person or for the driver."""


def _out_of_time(engine: "Engine", now_s: float) -> bool:
    run = running(engine)
    if now_s <= run.ends_s:
        return False
    end_drill(engine, f"the drill's {run.plan.drill.most_minutes:g} minutes are over", now_s)
    return True


def _arrived(engine: "Engine", now_s: float) -> bool:
    """Tell whether the axes stand at the first ball's setting, settled; measured, or assumed without feedback."""
    slot, status = running(engine).set_run.slots[0], engine.link.status
    if status is None or not engine.link.epoch_shown:
        return False
    if engine.axes.away(slot.ball.setting, engine.link.measured_median(now_s), status) is not None:
        if engine.arrived_s is not None:
            engine.arrived_s, engine.spinup_due_s = None, max(engine.spinup_due_s, now_s)
        return False
    if engine.arrived_s is None:
        engine.arrived_s = now_s
    settling = engine.machine.settling
    return now_s - engine.arrived_s >= max(settling.wheels_s, settling.tilt_s)


def _spinup(engine: "Engine", now_s: float) -> None:
    if _out_of_time(engine, now_s):
        return
    set_run = running(engine).set_run
    slot = set_run.slots[0]
    ready = _arrived(engine, now_s) and engine.link.feed_trouble(now_s) is None
    to_feed_s = slot.feed_at_s - now_s
    if ready and to_feed_s <= LEAD_S + LEAST_LEAD_S:
        engine.move("at_speed", now_s)
    elif not ready and to_feed_s < LEAD_S + 2 * TICK_S:
        set_run.shift_first(LEAD_S + 3 * TICK_S - to_feed_s)
    engine.count_down(slot.leaves_s, now_s)


def _feeding(engine: "Engine", now_s: float) -> None:
    if _out_of_time(engine, now_s):
        return
    run = running(engine)
    set_run = run.set_run
    if run.last is None and set_run.slots:
        engine.count_down(set_run.slots[0].leaves_s, now_s)
    if set_run.missed_in_row >= MISSED_MOST:
        last = run.last
        set_run.missed_in_row = 0
        pause(engine, f"{MISSED_MOST} balls in a row were not thrown: {last.reason if last else ''}", now_s)
        return
    if engine.hopper_empty and set_run.unfinished:
        pause(engine, f"{engine.hopper_empty}; fill it and type: balls N, then: resume", now_s)
        return
    trouble = run.leaving.trouble(engine.hopper_low)
    if trouble is not None:
        pause(engine, trouble, now_s)
        return
    before = set_run.slots[-1:]
    slot = set_run.plan_ahead(now_s, engine.next_at_s, engine.next_feed_id)
    if slot is not None:
        engine.legs.put(before[0].until_s, targets_of(slot.ball.setting))
    set_run.prune(now_s)
    if set_run.over(now_s, engine.turn_s):
        end_set(engine, now_s)


def _resting(engine: "Engine", now_s: float) -> None:
    if _out_of_time(engine, now_s) or engine.rest_until_s is None or now_s < engine.rest_until_s:
        return
    run = running(engine)
    engine.rest_until_s = None
    try:
        check_next_set(engine, run.set_plan)
    except Refused as refusal:
        engine.tell("log", f"the rest now waits: {refusal.text}", now_s)
        return
    leaves_s = begin_set(engine, run.plan.drill.start_delay_s, START_CUE_S, now_s)
    engine.move("rest_timed_out", now_s, start_text(leaves_s, now_s), "wheels")


def _paused(engine: "Engine", now_s: float) -> None:
    if _out_of_time(engine, now_s):
        return
    if take_back(engine, now_s):
        take_wanted(engine, now_s)
    if engine.hold_until_s is not None and now_s > engine.hold_until_s:
        engine.hold_until_s = None
        engine.legs.put(now_s, ZERO)


def _at_rest(engine: "Engine", now_s: float) -> bool:
    window_over = engine.open_window_s is None or now_s > engine.open_window_s
    heard = engine.link.epoch_shown or engine.link.status_age_s(now_s) > WATCHDOG_STOP_S
    return window_over and heard and engine.rest(now_s)[0] is True


def _stopping(engine: "Engine", now_s: float) -> None:
    status = engine.link.status
    if _at_rest(engine, now_s):
        engine.quick = False
        armed = engine.then_armed and status is not None and status.mode == "armed"
        engine.move("at_rest_armed" if armed else "at_rest", now_s, engine.reason)
    elif now_s - engine.since_s > REST_PATIENCE * engine.machine.spin_down_s + REST_PATIENCE_S:
        text = "the wheels are not known to stand long after they should"
        hint = "a wheel driven by something else, a wrong spin_down_s, a blind sensor"
        engine.latch(Fault("still-turning", text, now_s, hint, "cut the motor power, look, then: clear"), now_s)


def _quickstop(engine: "Engine", now_s: float) -> None:
    if _at_rest(engine, now_s):
        engine.quick = False
        engine.move("at_rest", now_s, engine.reason)
    elif now_s - engine.since_s > REST_PATIENCE * engine.machine.spin_down_s + REST_PATIENCE_S:
        engine.move("rest_unseen", now_s, f"{engine.reason}; the wheels are not known to stand")


def _fault(engine: "Engine", now_s: float) -> None:
    pending, status = engine.pending, engine.link.status
    if pending is None or pending.verb != "clear":
        return
    gone = engine.link.driver is None or engine.link.status_age_s(now_s) > WATCHDOG_STOP_S
    if gone or (status is not None and engine.link.epoch_shown and status.mode != "tripped"):
        engine.pending, engine.fault = None, None
        engine.move("clear", now_s)
        engine.answer(pending.token, done("clear", "cleared; nothing moves; next: arm"))


PROGRESS: dict[State, Callable[["Engine", float], None]] = {
    "OFFLINE": _offline,
    "IDLE": _idle,
    "ARMED": _still,
    "SPINUP": _spinup,
    "FEEDING": _feeding,
    "RESTING": _resting,
    "PAUSED": _paused,
    "STOPPING": _stopping,
    "QUICKSTOP": _quickstop,
    "FAULT": _fault,
    "SETUP": setup.progress,
}
