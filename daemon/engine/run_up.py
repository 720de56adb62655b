"""The way to a first ball: how long the axes need from where they are, and when the ball leaves."""

from dataclasses import dataclass

from drillfeed.daemon.engine.parts import Parts
from drillfeed.daemon.engine.timeline import HOLD, Targets, targets_of
from drillfeed.daemon.planning.plan import SetPlan
from drillfeed.daemon.planning.setting import Setting
from drillfeed.daemon.planning.tilt_drift import tilt_moves
from drillfeed.daemon.planning.transition import transition
from drillfeed.protocol.link import LEAD_S, MIN_LEAD_S, TICK_S

START_CUE_S = 2.0
RESUME_CUE_S = 1.0
"""So long after the cue the wheels begin to turn: at a start, and when a paused set goes on."""
TOLD_AHEAD_S = LEAD_S + MIN_LEAD_S + 4 * TICK_S


@dataclass(frozen=True)
class RunUp:
    """When the ball leaves, how long the axes need, how long a tilt without sensor needs to home, and the targets.

    `from_deg` and `to_deg` are the tilt's way to the first ball, after homing.
    """

    leaves_s: float
    reach_s: float
    home_s: float
    homing: Targets
    targets: Targets
    from_deg: float
    to_deg: float


def plan_run_up(parts: Parts, delay_s: float, cue_s: float, now_s: float) -> RunUp:
    """Return the way to the next ball of the run; it leaves `delay_s` from now, or later if the axes need longer."""
    set_run = parts.practice.running.set_run
    ball = set_run.next_ball
    assert ball is not None
    here = parts.motion.axes.now_at()
    home_s, homing = _homing(parts, ball.setting, here.tilt_deg, set_run.plan)
    reach_s = transition(parts.machine, here, ball.setting).seconds
    if home_s:
        at_stop = Setting(here.top_rpm, here.bottom_rpm, parts.machine.tilt.home_deg)
        reach_s = max(reach_s, home_s + transition(parts.machine, at_stop, ball.setting).seconds)
    leaves_s = now_s + max(delay_s, cue_s + reach_s + TOLD_AHEAD_S + set_run.plan.latency_s)
    from_deg = parts.machine.tilt.low_deg if home_s else here.tilt_deg
    return RunUp(leaves_s, reach_s, home_s, homing, targets_of(ball.setting), from_deg, ball.setting.tilt_deg)


def _homing(parts: Parts, setting: Setting, here_deg: float, plan: SetPlan) -> tuple[float, Targets]:
    """Return how long a tilt without a sensor needs to find its end stop, and the targets meanwhile.

    It does so once for each start of the driver. A tilt by time does so again if by its moves, with those of the coming
    set, it may be off by more than the profile allows.
    """
    driver, status, tilt = parts.link.driver, parts.link.status, parts.machine.tilt
    if driver is None or status is None or status.tilt is None or status.tilt.measured_deg is not None:
        return 0.0, HOLD
    if parts.motion.homed_boot == driver.hello.boot and not _drifts(parts, plan):
        return 0.0, HOLD
    if tilt.by_time:
        home_s = max(here_deg - tilt.home_deg, 0.0) / tilt.slew_deg_per_s + parts.machine.settling.tilt_s
        return home_s, {**targets_of(setting), "tilt": tilt.home_deg}
    travel_s = (tilt.high_deg - tilt.low_deg) / tilt.slew_deg_per_s
    return travel_s, {**targets_of(setting), "tilt": tilt.low_deg}


def _drifts(parts: Parts, plan: SetPlan) -> bool:
    """Tell whether a tilt by time may pass its allowed drift within the coming set; not if it was just homed."""
    max_moves, moves = parts.machine.tilt.max_moves, parts.motion.tilt_moves
    return max_moves is not None and moves > 1 and moves + tilt_moves(plan.balls) > max_moves
