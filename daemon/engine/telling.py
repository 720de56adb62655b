"""From the engine to a snapshot: what `status` says, never better than known."""

from math import isfinite

from drillfeed.daemon.drills.ladder import AS_WRITTEN, rung_text
from drillfeed.daemon.engine.engine import Engine
from drillfeed.daemon.engine.offers import offer_info
from drillfeed.daemon.engine.playing import limits_text
from drillfeed.daemon.engine.run import DrillRun
from drillfeed.daemon.engine.schedule import Slot
from drillfeed.daemon.engine.standing import LOOK, turning_text
from drillfeed.daemon.engine.states import RUNNING
from drillfeed.daemon.planning.plan import PlannedBall
from drillfeed.protocol.link import WATCHDOG_FEED_S, WATCHDOG_STOP_S, Status
from drillfeed.protocol.status import BallInfo, Counts, FeedKnown, Snapshot, State, WheelInfo

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
        tilt_deg=ball.setting.tilt_deg,
        pan_deg=ball.setting.pan_deg,
        top_rpm=ball.setting.top_rpm,
        bottom_rpm=ball.setting.bottom_rpm,
        result=slot.outcome if slot else None,
        reason=slot.reason if slot else None,
    )


def _next_ball(engine: Engine, run: DrillRun, now_s: float) -> BallInfo | None:
    """Return the ball that goes next if nothing is done; None where no run is under way, or no ball is left."""
    if engine.state not in RUNNING:
        return None
    ahead = next((slot for slot in run.set_run.slots if slot.outcome is None), None)
    if ahead is not None:
        timed = engine.state in ("SPINUP", "FEEDING")
        return _ball(ahead.ball, ahead.n, ahead.set, ahead if timed else None, now_s)
    if engine.queued is not None and run.is_over:
        return _ball(engine.queued.plan.sets[0].balls[0], 1, 1, None, now_s)
    if run.set_run.next_ball is None and run.has_next:
        return _ball(run.plan.sets[run.index + 1].balls[0], run.set_run.next_n, run.index + 2, None, now_s)
    ball = run.set_run.next_ball
    return _ball(ball, run.set_run.next_n, run.index + 1, None, now_s) if ball else None


def _next_step(engine: Engine, fresh: Status | None) -> str | None:
    if engine.state == "IDLE" and turning_text(fresh, engine.machine):
        return f"{LOOK}; then: arm"
    if engine.state == "IDLE" and engine.link.misfits:
        return "mend the profile or the driver"
    steps: dict[State, str] = {
        "OFFLINE": "start a motor driver" if fresh is None else "wait a moment, then: status",
        "IDLE": "arm" if engine.plan else "load NAME, then: arm",
        "ARMED": f"start {engine.stop_count}" if engine.plan else "load NAME",
        "SPINUP": "pause or stop",
        "FEEDING": "pause or stop",
        "RESTING": "ready" if engine.rest_until_s is None else "wait, or: ready",
        "PAUSED": "resume",
        "STOPPING": "wait until the wheels stand",
        "QUICKSTOP": "wait until the wheels stand",
        "FAULT": engine.fault.next_step if engine.fault else "clear",
        "SETUP": "hold, jog and feed one; or: setup off",
    }
    return steps[engine.state]


def _link(engine: Engine, now_s: float) -> str:
    if engine.link.driver is None:
        return "down"
    misfits = len(engine.link.misfits)
    if misfits:
        return f"the driver does not fit the machine, in {misfits} way{'s' if misfits > 1 else ''}; see misfit"
    return engine.link.feed_trouble(now_s) or "up"


def _reason(engine: Engine, now_s: float) -> str | None:
    """Return why this state; OFFLINE beside a driver's name says how far the greeting has come."""
    link = engine.link
    if engine.state != "OFFLINE" or link.driver is None:
        return engine.reason
    name = link.driver.hello.driver
    if link.status is None:
        return f"{name} has said hello; no status of it has come yet"
    if link.status_age_s(now_s) > WATCHDOG_FEED_S:
        return f"{name} fell silent"
    return f"{name} has said hello; " + (
        "it does not show the newest epoch yet" if not link.epoch_shown else "its clock is being learned"
    )


def _countdown_s(engine: Engine, now_s: float) -> float | None:
    if engine.state != "SPINUP" or engine.run is None:
        return None
    return max(round(engine.run.set_run.slots[0].leaves_s - now_s, 2), 0.0)


def snapshot(engine: Engine, now_s: float, late_ticks: int = 0, worst_late_ms: float | None = None) -> Snapshot:
    """Return everything `status` can tell at `now_s`."""
    run, link, wanted = engine.run, engine.link, engine.wanted
    # While a single ball is thrown, what runs is not what is loaded.
    plan = run.plan if run is not None and engine.state in RUNNING else engine.plan
    status: Status | None = link.status
    fresh = status if status is not None and link.status_age_s(now_s) < WATCHDOG_STOP_S else None
    standing, known = engine.rest(now_s)
    feed_known: FeedKnown = "reported" if fresh and link.status_age_s(now_s) < WATCHDOG_FEED_S else "unknown"
    set_plan = run.set_plan if run else (plan.sets[0] if plan else None)
    crank = engine.machine.feeder.kind == "crank-timed"
    age_s = link.status_age_s(now_s)
    return Snapshot(
        state=engine.state,
        since_s=round(now_s - engine.since_s, 2),
        reason=_reason(engine, now_s),
        hint=engine.fault.hint if engine.fault else None,
        next_step=_next_step(engine, fresh),
        stop_count=engine.stop_count,
        feed="open" if fresh and fresh.feeding else "closed",
        feed_known=feed_known,
        wheels_at_rest=standing,
        wheels_known=known,
        countdown_s=_countdown_s(engine, now_s),
        rest_s=None if engine.rest_until_s is None else max(round(engine.rest_until_s - now_s, 1), 0.0),
        rest_waits=engine.state == "RESTING" and engine.rest_until_s is None,
        level=engine.profile.level if engine.profile else None,
        limits=limits_text(engine.profile),
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
        change_waits=f"{wanted.verb}: {wanted.plan.changes.text}; asked by {wanted.who}" if wanted else None,
        queued=engine.queued.plan.drill.name if engine.queued else None,
        last_ball=_ball(run.last.ball, run.last.n, run.last.set, run.last, now_s) if run and run.last else None,
        next_ball=_next_ball(engine, run, now_s) if run else None,
        counts=_counts(run) if run else Counts(),
        offer=offer_info(engine, now_s),
        hopper=engine.hopper.left,
        crank_phase=("unknown" if engine.crank_turns is None else "known") if crank else "none",
        machine=engine.machine.name,
        simulated=bool(link.driver and link.driver.hello.simulated),
        calibration=engine.machine.calibration.told() if engine.machine.calibration else "uncalibrated",
        driver=link.driver.hello.driver if link.driver else None,
        driver_boot=link.driver.hello.boot if link.driver else None,
        misfits=link.misfits,
        link=_link(engine, now_s),
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
        warnings=_warnings(engine, fresh, now_s),
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


def _warnings(engine: Engine, fresh: Status | None, now_s: float) -> tuple[str, ...]:
    found: list[str] = []
    found += engine.doubts.lines(now_s)
    turning = turning_text(fresh, engine.machine) if engine.state in STANDING else None
    if turning is not None:
        found.append(turning)
    if engine.hopper.left is None:
        found.append("hopper count unknown: balls N")
    if engine.run is not None and engine.run.unknown:
        found.append(f"{engine.run.unknown} balls may have gone or not: neither confirmed nor refused by the driver")
    return tuple(found)
