"""Steps that commands and progress share: beginning a set, pausing, ending a set, ending a drill.

Rule of this file: on every start wheels first, feed second; on every end feed first, wheels second.
"""

from typing import TYPE_CHECKING

from drillfeed.daemon.engine.changing import take_wanted
from drillfeed.daemon.engine.run import DrillRun
from drillfeed.daemon.engine.schedule import HOLD, ZERO, Targets, targets_of
from drillfeed.daemon.planning.setting import Setting
from drillfeed.daemon.planning.transition import transition
from drillfeed.protocol.link import LEAD_S, LEAST_LEAD_S, TICK_S

if TYPE_CHECKING:
    from drillfeed.daemon.engine.engine import Engine

START_CUE_S = 2.0
RESUME_CUE_S = 1.0
HELD_MOST_S = 10.0
MISSED_MOST = 3
TOLD_AHEAD_S = LEAD_S + LEAST_LEAD_S + 4 * TICK_S


def running(engine: "Engine") -> DrillRun:
    """Return the drill under way; states that need one are entered only with one."""
    assert engine.run is not None
    return engine.run


def _homing(engine: "Engine", setting: Setting) -> tuple[float, Targets]:
    """Return how long a tilt that nobody measures needs to find its end stop, and the targets meanwhile."""
    driver, status = engine.link.driver, engine.link.status
    tilt = engine.machine.tilt
    if driver is None or status is None or status.tilt is None or status.tilt.measured_deg is not None:
        return 0.0, HOLD
    if engine.homed_boot == driver.hello.boot:
        return 0.0, HOLD
    engine.homed_boot = driver.hello.boot
    travel_s = (tilt.high_deg - tilt.low_deg) / tilt.slew_deg_per_s
    return travel_s, {**targets_of(setting), "tilt": tilt.low_deg}


def begin_set(engine: "Engine", delay_s: float, cue_s: float, now_s: float) -> float:
    """Plan the run-up to the next ball: a cue, then wheels and tilt, then the ball. Return when it leaves."""
    set_run = running(engine).set_run
    ball = set_run.next_ball
    assert ball is not None
    home_s, homing = _homing(engine, ball.setting)
    from_setting = engine.axes.now_at()
    reach_s = transition(engine.machine, from_setting, ball.setting).seconds
    if home_s:
        at_stop = Setting(from_setting.top_rpm, from_setting.bottom_rpm, engine.machine.tilt.low_deg)
        reach_s = max(reach_s, home_s + transition(engine.machine, at_stop, ball.setting).seconds)
    engine.quick = False
    engine.begin_epoch(None, now_s)
    leaves_s = now_s + max(delay_s, cue_s + reach_s + TOLD_AHEAD_S + set_run.plan.latency_s)
    if not set_run.slots:
        _tell_set(engine, now_s)
    set_run.begin(leaves_s, engine.next_feed_id())
    engine.legs.put(now_s, HOLD)
    if home_s:
        engine.legs.put(now_s + cue_s, homing)
    engine.legs.put(now_s + cue_s + home_s, targets_of(ball.setting))
    engine.spinup_due_s = now_s + cue_s + reach_s
    engine.arrived_s = engine.told_seconds = None
    engine.hold_until_s = None
    return leaves_s


def _tell_set(engine: "Engine", now_s: float) -> None:
    """Let watchers and the record know that a set begins, and all that is known of it by then."""
    run, driver = running(engine), engine.link.driver
    one, sets = run.set_plan, len(run.plan.sets)
    tempo_per_min = round(60 / one.interval_s, 2)
    engine.tell(
        "set",
        f"{one.number} of {sets} begins: {len(one.balls)} ball{'s' * (len(one.balls) != 1)} at {tempo_per_min:.3g}/min",
        now_s,
        begins=True,
        set=one.number,
        of_sets=sets,
        drill=run.plan.drill.name,
        seed=run.plan.seed,
        balls=len(one.balls),
        asked_per_min=one.asked_per_min,
        tempo_per_min=tempo_per_min,
        simulated=driver.hello.simulated if driver is not None else None,
    )


def start_text(leaves_s: float, now_s: float) -> str:
    """Say when the first ball comes."""
    return f"wheels are about to turn; first ball in {leaves_s - now_s:.1f} s"


def pause(engine: "Engine", reason: str, now_s: float) -> None:
    """Close the feed and hold the wheels: ten seconds at most, and past the window of a ball already fed."""
    engine.begin_epoch(None, now_s)
    running(engine).set_run.taking_back = True
    if engine.state != "RESTING":
        engine.legs.put(now_s, HOLD)
    engine.hold_until_s = max(now_s + HELD_MOST_S, running(engine).set_run.window_end_s())
    engine.parked = False
    engine.move("pause", now_s, reason, "pause")


def take_back(engine: "Engine", now_s: float) -> bool:
    """After a pause, once the driver shows the new epoch: put back what did not go. Return whether that is done."""
    if not engine.parked and engine.link.epoch_shown:
        running(engine).set_run.drop_open()
        engine.settle(now_s)
        engine.parked = True
    return engine.parked


def end_set(engine: "Engine", now_s: float) -> None:
    """A set is over: rest before the next one, or the end of the drill."""
    run = running(engine)
    finished = run.set_plan
    if run.has_next:
        next_set(engine, now_s)
        rest(engine, finished.rest_s, now_s)
    elif engine.queued is not None:
        rest(engine, None, now_s)
    else:
        end_drill(engine, "all balls thrown", now_s)
        return
    engine.move("set_over", now_s, f"set {finished.number} of {len(run.plan.sets)} is over", "set-end")
    engine.tell("set", f"{finished.number} over", now_s, set=finished.number, commanded=run.commanded, seen=run.seen)


def next_set(engine: "Engine", now_s: float) -> None:
    """Go to the next set; what waits for the end of a set comes into force."""
    running(engine).next_set()
    take_wanted(engine, now_s)


def rest(engine: "Engine", rest_s: float | None, now_s: float) -> None:
    """Begin a rest: timed, or until the player is ready. Over ten seconds the wheels stand, else they hold."""
    timed = rest_s is not None and not running(engine).set_plan.rephase_before
    engine.rest_until_s = now_s + rest_s if timed and rest_s is not None else None
    # A last ball that was skipped leaves wheels on their way to it: they go no further.
    engine.legs.put(now_s, ZERO if not timed or (rest_s or 0) > HELD_MOST_S else HOLD)


def end_drill(engine: "Engine", reason: str, now_s: float) -> None:
    """The drill is over: feed closed, wheels run down, then ready for another start."""
    engine.legs.put(now_s, ZERO)
    engine.open_window_s = running(engine).set_run.window_end_s()
    engine.move("drill_over", now_s, reason, "drill-end")
