"""From the parts of the engine to a snapshot: what `status` says, never better than known."""

from math import isfinite

from drillfeed.daemon.drills.ladder import AS_WRITTEN, rung_text
from drillfeed.daemon.engine.link_condition import feed_trouble, link_misfits
from drillfeed.daemon.engine.offers import offer_info
from drillfeed.daemon.engine.parts import Parts
from drillfeed.daemon.engine.player import limits_text
from drillfeed.daemon.engine.run import DrillRun
from drillfeed.daemon.engine.schedule import Slot
from drillfeed.daemon.engine.standing import turning_text
from drillfeed.daemon.engine.states import RUNNING
from drillfeed.daemon.planning.plan import PlannedBall
from drillfeed.protocol.link import WATCHDOG_FEED_S, WATCHDOG_STOP_S, Status
from drillfeed.protocol.status import BallInfo, Counts, FeedKnown, Snapshot, State, WheelInfo
from drillfeed.protocol.texts.catalogue import text

STANDING: frozenset[State] = frozenset({"OFFLINE", "IDLE", "ARMED", "FAULT"})


def _ball(ball: PlannedBall, n: int, set_number: int, slot: Slot | None, now_s: float) -> BallInfo:
    return BallInfo(
        n=n,
        ball=ball.ball,
        side=ball.side,
        set=set_number,
        leaves_in_s=round(slot.leaves_s - now_s, 2) if slot and slot.outcome is None else None,
        speed_mps=ball.speed_mps,
        spin_revps=ball.spin_revps,
        side_revps=ball.side_revps,
        fitted=ball.fitted or None,
        tilt_deg=ball.setting.tilt_deg,
        pan_deg=ball.setting.pan_deg,
        top_rpm=ball.setting.top_rpm,
        bottom_rpm=ball.setting.bottom_rpm,
        result=slot.outcome if slot else None,
        reason=slot.reason if slot else None,
    )


def _next_ball(parts: Parts, run: DrillRun, now_s: float) -> BallInfo | None:
    """Return the ball that goes next if nothing is done; None if no run is under way, or no ball is left."""
    if parts.live_run is None:
        return None
    ahead = next((slot for slot in run.set_run.slots if slot.outcome is None), None)
    if ahead is not None:
        timed = parts.mode.state in ("SPINUP", "FEEDING")
        return _ball(ahead.ball, ahead.n, ahead.set, ahead if timed else None, now_s)
    queued, set_run = parts.practice.queued, run.set_run
    if queued is not None and run.is_over:
        return _ball(queued.plan.sets[0].balls[0], 1, 1, None, now_s)
    if set_run.next_ball is None and run.has_next:
        return _ball(run.plan.sets[run.index + 1].balls[0], set_run.next_n, run.index + 2, None, now_s)
    return _ball(set_run.next_ball, set_run.next_n, run.index + 1, None, now_s) if set_run.next_ball else None


def _next_step(parts: Parts, fresh: Status | None) -> str | None:
    if parts.mode.state == "IDLE" and link_misfits(parts.link):
        return text("step.misfit")
    if parts.mode.state == "IDLE" and turning_text(fresh, parts.machine):
        return text("step.wheel-turns")
    steps: dict[State, str] = {
        "OFFLINE": text("next.start-driver") if fresh is None else text("next.wait-status"),
        "IDLE": "arm" if parts.practice.plan else text("next.load-arm"),
        "ARMED": f"start {parts.mode.stop_count}" if parts.practice.plan else "load NAME",
        "SPINUP": text("next.pause-or-stop"),
        "FEEDING": text("next.pause-or-stop"),
        "RESTING": "ready" if parts.practice.rest_until_s is None else text("next.wait-or-ready"),
        "PAUSED": "resume",
        "STOPPING": text("next.wait-stand"),
        "QUICKSTOP": text("next.wait-stand"),
        "FAULT": parts.mode.fault.next_step if parts.mode.fault else "clear",
        "SETUP": text("next.setup"),
    }
    return steps[parts.mode.state]


def _link(parts: Parts, now_s: float) -> str:
    if parts.link.driver is None:
        return "down"
    misfits = len(link_misfits(parts.link))
    if misfits:
        return text("link.misfits", ways=text("count.ways", count=misfits))
    return feed_trouble(parts.link, now_s) or "up"


def _reason(parts: Parts, now_s: float) -> str | None:
    """Return why this state; OFFLINE beside a driver's name says how far the greeting has come."""
    link = parts.link
    if parts.mode.state != "OFFLINE" or link.driver is None:
        return parts.mode.reason
    name = link.driver.hello.driver
    if link.status is None:
        return text("link.no-status", driver=name)
    if link.status_age_s(now_s) > WATCHDOG_FEED_S:
        return text("link.silent", driver=name)
    return text("link.clock", driver=name) if link.epoch_shown else text("link.epoch", driver=name)


def _countdown_s(parts: Parts, now_s: float) -> float | None:
    if parts.mode.state != "SPINUP" or parts.practice.run is None:
        return None
    return max(round(parts.practice.run.set_run.slots[0].leaves_s - now_s, 2), 0.0)


def snapshot(parts: Parts, now_s: float, late_ticks: int = 0, worst_late_ms: float | None = None) -> Snapshot:
    """Return everything `status` can tell at `now_s`."""
    run, link, waiting = parts.practice.run, parts.link, parts.practice.waiting
    # While a single ball is thrown, what runs is not what is loaded.
    plan = run.plan if run is not None and parts.mode.state in RUNNING else parts.practice.plan
    status: Status | None = link.status
    fresh = status if status is not None and link.status_age_s(now_s) < WATCHDOG_STOP_S else None
    standing, known = parts.at_rest(now_s)
    feed_known: FeedKnown = "reported" if fresh and link.status_age_s(now_s) < WATCHDOG_FEED_S else "unknown"
    set_plan = run.set_plan if run else (plan.sets[0] if plan else None)
    crank = parts.feeder.is_timed_crank
    age_s = link.status_age_s(now_s)
    return Snapshot(
        state=parts.mode.state,
        since_s=round(now_s - parts.mode.since_s, 2),
        reason=_reason(parts, now_s),
        hint=parts.mode.fault.hint if parts.mode.fault else None,
        next_step=_next_step(parts, fresh),
        stop_count=parts.mode.stop_count,
        feed="open" if fresh and fresh.feeding else "closed",
        feed_known=feed_known,
        wheels_at_rest=standing,
        wheels_known=known,
        countdown_s=_countdown_s(parts, now_s),
        rest_s=None if parts.practice.rest_until_s is None else max(round(parts.practice.rest_until_s - now_s, 1), 0.0),
        rest_waits=parts.mode.state == "RESTING" and parts.practice.rest_until_s is None,
        level=parts.practice.profile.level if parts.practice.profile else None,
        limits=limits_text(parts.practice.profile),
        drill=plan.drill.name if plan else None,
        seed=plan.seed if plan else None,
        set=run.index + 1 if run else None,
        sets=len(plan.sets) if plan else None,
        set_balls=len(set_plan.balls) if set_plan else None,
        set_done=run.set_run.fed if run else None,
        tempo_asked_per_min=set_plan.asked_per_min if set_plan else None,
        tempo_per_min=round(60 / set_plan.interval_s, 1) if set_plan else None,
        tempo_reason=set_plan.stretch.text if set_plan and set_plan.stretch else None,
        rung=plan.changes.rung if plan else None,
        step=rung_text(plan.written or plan.drill, plan.changes.rung) if plan else None,
        changes=plan.changes.text if plan and plan.changes != AS_WRITTEN else None,
        change_waits=text("next.change", verb=waiting.verb, changes=waiting.plan.changes.text, who=waiting.who)
        if waiting
        else None,
        queued=parts.practice.queued.plan.drill.name if parts.practice.queued else None,
        last_ball=_ball(run.last.ball, run.last.n, run.last.set, run.last, now_s) if run and run.last else None,
        next_ball=_next_ball(parts, run, now_s) if run else None,
        counts=_counts(run) if run else Counts(),
        offer=offer_info(parts, now_s),
        hopper=parts.feeder.balls_left,
        crank_phase=("unknown" if parts.feeder.crank_turns is None else "known") if crank else "none",
        machine=parts.machine.name,
        simulated=bool(link.driver and link.driver.hello.simulated),
        calibration=parts.machine.calibration.told() if parts.machine.calibration else "uncalibrated",
        driver=link.driver.hello.driver if link.driver else None,
        driver_boot=link.driver.hello.boot if link.driver else None,
        link=_link(parts, now_s),
        misfits=link_misfits(link),
        clock_error_ms=round(link.line.error_s * 1000, 2) if link.line and isfinite(link.line.error_s) else None,
        status_age_ms=round(age_s * 1000, 1) if age_s != float("inf") else None,
        late_ticks=late_ticks,
        worst_late_ms=worst_late_ms,
        top=_wheel(fresh, "top"),
        bottom=_wheel(fresh, "bottom"),
        tilt_deg=fresh.tilt.measured_deg if fresh and fresh.tilt else None,
        supply_v=fresh.supply_v if fresh else None,
        epoch=link.epoch,
        faults=tuple(f"{fault.part}: {fault.what}" for fault in fresh.faults) if fresh else (),
        warnings=_warnings(parts, fresh, now_s),
    )


def _counts(run: DrillRun) -> Counts:
    return Counts(
        commanded=run.commanded,
        refused=run.refused,
        skipped=run.skipped,
        unknown=run.unknown,
        seen=run.seen,
        made=run.tally.made,
        marked=run.tally.marked,
    )


def _wheel(status: Status | None, name: str) -> WheelInfo:
    if status is None:
        return WheelInfo()
    wheel = status.top if name == "top" else status.bottom
    measured = None if wheel.measured_rpm is None else round(wheel.measured_rpm, 1)
    return WheelInfo(target_rpm=round(wheel.target_rpm, 1), measured_rpm=measured)


def _warnings(parts: Parts, fresh: Status | None, now_s: float) -> tuple[str, ...]:
    found = list(parts.doubts.lines(now_s))
    turning = turning_text(fresh, parts.machine) if parts.mode.state in STANDING else None
    if turning is not None:
        found.append(turning)
    if parts.feeder.balls_left is None:
        found.append(text("next.hopper-unknown"))
    if parts.practice.run is not None and parts.practice.run.unknown:
        found.append(text("warning.unknown", balls=parts.practice.run.unknown))
    return tuple(found)
