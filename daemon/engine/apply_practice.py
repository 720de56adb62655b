"""Carry out what was decided of practice: runs, sets, rests, pauses, changes, marks."""

from collections.abc import Callable
from typing import Any, Literal

from drillfeed.daemon.engine import decision as do
from drillfeed.daemon.engine.change_events import change_in_force
from drillfeed.daemon.engine.events import (
    BallMarked,
    CountdownTicked,
    DrillLoaded,
    SetBegan,
    SetEnded,
    SetMarked,
    StartOffered,
    TiltDrifts,
)
from drillfeed.daemon.engine.run_up import START_CUE_S, plan_run_up
from drillfeed.daemon.engine.settling import settle
from drillfeed.daemon.engine.timeline import HOLD, ZERO, targets_of
from drillfeed.daemon.engine.turn import Turn
from drillfeed.daemon.engine.wording import sentence
from drillfeed.protocol.texts.catalogue import text

MAX_HOLD_S = 10.0
"""Wheels are held no longer than this in a pause or a rest, then they run down."""


def _load(turn: Turn, action: do.Load) -> None:
    plan = action.plan
    turn.parts.practice.load(plan)
    turn.tell(DrillLoaded(turn.now_s, plan.drill.name, plan.seed, plan.balls))


def _begin_run(turn: Turn, action: do.BeginRun) -> str:
    turn.parts.practice.begin_run(action.plan, turn.now_s)
    return begin_set(turn, do.BeginSet("start", action.plan.drill.start_delay_s, START_CUE_S))


def begin_set(turn: Turn, action: do.BeginSet) -> str:
    """Plan the way to the next ball: a cue, then wheels and tilt, then the ball. Return when it comes, in words."""
    parts, now_s = turn.parts, turn.now_s
    set_run = parts.practice.running.set_run
    run_up = plan_run_up(parts, action.delay_s, action.cue_s, now_s)
    if run_up.home_s and parts.link.driver is not None:
        parts.motion.home(parts.link.driver.hello.boot)
    parts.motion.use_plain_rates()
    turn.begin_epoch(None)
    if not set_run.slots:
        turn.tell(_set_began(turn))
    set_run.begin(run_up.leaves_s, parts.feeder.next_id())
    parts.motion.put(now_s, HOLD)
    if run_up.home_s:
        parts.motion.put(now_s + action.cue_s, run_up.homing)
    parts.motion.put(now_s + action.cue_s + run_up.home_s, run_up.targets)
    parts.motion.move_tilt(run_up.from_deg, run_up.to_deg)
    parts.motion.expect_arrival(now_s + action.cue_s + run_up.reach_s)
    parts.practice.begin_countdown()
    homes = bool(run_up.home_s) and parts.machine.tilt.by_time
    said = text("start.first-ball-homing" if homes else "start.first-ball", seconds=run_up.leaves_s - now_s)
    turn.follow(action.event, said)
    return said


def _set_began(turn: Turn) -> SetBegan:
    run, driver = turn.parts.practice.running, turn.parts.link.driver
    plan, written = run.set_plan, run.plan.drill.set[run.index]
    return SetBegan(
        at_s=turn.now_s,
        begins=True,
        set=plan.number,
        of_sets=len(run.plan.sets),
        drill=run.plan.drill.name,
        seed=run.plan.seed,
        balls=len(plan.balls),
        asked_per_min=plan.asked_per_min,
        tempo_per_min=round(60 / plan.interval_s, 2),
        simulated=driver.hello.simulated if driver is not None else None,
        title=plan.title,
        sequence_kind=written.sequence.kind,
        rung=run.plan.changes.rung,
        warm_up=written.warm_up,
        check_set=written.check_set,
    )


def _begin_queued(turn: Turn, action: do.BeginQueued) -> None:
    queued = turn.parts.practice.begin_queued(turn.now_s)
    if queued is not None:
        turn.tell(change_in_force(turn.parts, queued, "queued", turn.now_s))


def _next_set(turn: Turn, action: do.NextSet) -> None:
    turn.parts.practice.running.next_set()
    _take_waiting(turn)


def _take_waiting(turn: Turn, action: do.TakeWaiting | None = None) -> str:
    change = turn.parts.practice.take_waiting()
    if change is None:
        return ""
    run = turn.parts.live_run
    moment: Literal["start", "running"] = "start" if run is None else "running"
    if run is not None:
        run.change(change.plan)
    event = change_in_force(turn.parts, change, moment, turn.now_s)
    turn.tell(event)
    return sentence(event)


def _rest(turn: Turn, action: do.Rest) -> None:
    """Rest: timed, or until the player is ready. The wheels stand in a rest over ten seconds, else they hold."""
    practice, rest_s = turn.parts.practice, action.rest_s
    if rest_s is None or practice.running.set_plan.crank_to_mark_before:
        practice.rest_until(None)
        turn.parts.motion.put(turn.now_s, ZERO)
        return
    practice.rest_until(turn.now_s + rest_s)
    # After a last ball that was skipped the wheels are still on their way to it: they go no further.
    turn.parts.motion.put(turn.now_s, ZERO if rest_s > MAX_HOLD_S else HOLD)


def _pause(turn: Turn, action: do.Pause) -> None:
    """Close the feed and hold the wheels: ten seconds at most, and past the window of a ball already fed."""
    parts = turn.parts
    turn.begin_epoch(None)
    parts.practice.expect_settling()
    if parts.mode.state != "RESTING":
        parts.motion.put(turn.now_s, HOLD)
    window_end_s = parts.practice.running.set_run.window_end_s()
    parts.motion.hold_until(max(turn.now_s + MAX_HOLD_S, window_end_s))
    turn.follow("pause", action.reason)


def _end_set(turn: Turn, action: do.EndSet) -> None:
    practice = turn.parts.practice
    run = practice.running
    finished = run.set_plan
    if run.has_next:
        _next_set(turn, do.NextSet())
        _rest(turn, do.Rest(finished.rest_s))
    elif practice.queued is not None:
        _rest(turn, do.Rest(None))
    else:
        end_drill(turn, do.EndDrill(text("drill.all-thrown")))
        return
    turn.follow("set_over", text("set.is-over", number=finished.number, sets=len(run.plan.sets)))
    turn.tell(SetEnded(turn.now_s, finished.number, run.commanded, run.seen))


def end_drill(turn: Turn, action: do.EndDrill) -> None:
    """Feed closed, wheels down, then ready for another start."""
    motion = turn.parts.motion
    motion.put(turn.now_s, ZERO)
    motion.may_leave_until(turn.parts.practice.running.set_run.window_end_s())
    turn.follow("drill_over", action.reason)


def _cut_set(turn: Turn, action: do.CutSet) -> None:
    turn.parts.practice.running.set_run.cut()


def _settle_open_feeds(turn: Turn, action: do.SettleOpenFeeds) -> None:
    turn.parts.practice.settle_open_feeds()
    settle(turn)


def _wait_change(turn: Turn, action: do.WaitChange) -> None:
    turn.parts.practice.wait(action.change)


def _queue_drill(turn: Turn, action: do.QueueDrill) -> None:
    turn.parts.practice.queue(action.drill)


def _choose_player(turn: Turn, action: do.ChoosePlayer) -> None:
    profile = action.profile
    turn.parts.practice.choose(profile)
    turn.parts.motion.cap_rims(profile.caps.max_rim_mps if profile is not None else None)


def _make_offer(turn: Turn, action: do.MakeOffer) -> None:
    offer = action.offer
    turn.parts.practice.make_offer(offer)
    turn.tell(StartOffered(turn.now_s, offer.number, offer.command.verb, offer.by, offer.leads_to))


def _mark_ball(turn: Turn, action: do.MarkBall) -> str:
    tally = turn.parts.practice.running.tally
    tally.mark_ball(action.n, action.made)
    event = BallMarked(turn.now_s, tally.set_of[action.n], action.n, 1 if action.made else 0, 1, action.by)
    turn.tell(event)
    return sentence(event)


def _mark_set(turn: Turn, action: do.MarkSet) -> str:
    turn.parts.practice.running.tally.mark_set(action.number, action.made, action.out_of)
    event = SetMarked(turn.now_s, action.number, action.made, action.out_of, action.by)
    turn.tell(event)
    return sentence(event)


def _note_arrival(turn: Turn, action: do.NoteArrival) -> None:
    turn.parts.motion.note_arrival(action.stand, turn.now_s)


def _note_turning(turn: Turn, action: do.NoteTurning) -> None:
    turn.parts.motion.standing.tell(action.turning)


def _shift_first_ball(turn: Turn, action: do.ShiftFirstBall) -> None:
    turn.parts.practice.running.set_run.shift_first(action.by_s)


def _tell_second(turn: Turn, action: do.TellSecond) -> None:
    turn.parts.practice.tell_second(action.seconds)
    turn.tell(CountdownTicked(turn.now_s, action.seconds))


def _forget_misses(turn: Turn, action: do.ForgetMisses) -> None:
    turn.parts.practice.running.set_run.forget_misses()


def _forget_exit_trouble(turn: Turn, action: do.ForgetExitTrouble) -> None:
    turn.parts.practice.running.leaving.forget_trouble()


def _plan_next_ball(turn: Turn, action: do.PlanNextBall) -> None:
    parts = turn.parts
    set_run = parts.practice.running.set_run
    before = set_run.slots[-1:]
    slot = set_run.plan_ahead(turn.now_s, parts.motion.next_at_s, parts.feeder.next_id)
    if slot is not None:
        parts.motion.put(before[0].until_s, targets_of(slot.ball.setting))
        parts.motion.move_tilt(before[0].ball.setting.tilt_deg, slot.ball.setting.tilt_deg)
        _tell_drift(turn)
    set_run.prune(turn.now_s)


def _tell_drift(turn: Turn) -> None:
    """Say once that a tilt by time has moved too often to be known; it homes before the next set, not within one."""
    tilt, motion = turn.parts.machine.tilt, turn.parts.motion
    max_moves = tilt.max_moves
    if max_moves is None or motion.tilt_told or motion.tilt_moves <= max_moves:
        return
    motion.tell_drift()
    turn.tell(TiltDrifts(turn.now_s, motion.tilt_moves, tilt.drift_after_deg(motion.tilt_moves)))


def _end_rest(turn: Turn, action: do.EndRest) -> None:
    turn.parts.practice.rest_until(None)


def _end_hold(turn: Turn, action: do.EndHold) -> None:
    turn.parts.motion.hold_until(None)
    turn.parts.motion.put(turn.now_s, ZERO)


PRACTICE_ACTIONS: dict[type, Callable[[Turn, Any], str | None]] = {
    do.Load: _load,
    do.BeginRun: _begin_run,
    do.BeginSet: begin_set,
    do.BeginQueued: _begin_queued,
    do.NextSet: _next_set,
    do.TakeWaiting: _take_waiting,
    do.Rest: _rest,
    do.Pause: _pause,
    do.EndSet: _end_set,
    do.EndDrill: end_drill,
    do.CutSet: _cut_set,
    do.SettleOpenFeeds: _settle_open_feeds,
    do.WaitChange: _wait_change,
    do.QueueDrill: _queue_drill,
    do.ChoosePlayer: _choose_player,
    do.MakeOffer: _make_offer,
    do.MarkBall: _mark_ball,
    do.MarkSet: _mark_set,
    do.NoteArrival: _note_arrival,
    do.NoteTurning: _note_turning,
    do.ShiftFirstBall: _shift_first_ball,
    do.TellSecond: _tell_second,
    do.ForgetMisses: _forget_misses,
    do.ForgetExitTrouble: _forget_exit_trouble,
    do.PlanNextBall: _plan_next_ball,
    do.EndRest: _end_rest,
    do.EndHold: _end_hold,
}
