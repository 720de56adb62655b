"""What must not go on: checks over what is known, worst first, each with its hint and its next step.

Rule of this file: detection only. What follows from a hazard (`fault`, `offline`) is the engine's business.
A row answers None where all is well, else one line that says what was seen.
"""

from collections.abc import Callable
from dataclasses import dataclass
from typing import TYPE_CHECKING

from drillfeed.daemon.engine.driver import DEAF_FAULT_S, for_text
from drillfeed.daemon.engine.states import MOVING, RUNNING, UNDER_WAY
from drillfeed.protocol.link import WATCHDOG_STOP_S
from drillfeed.protocol.sleep import MACHINE_SLEPT
from drillfeed.protocol.status import State

if TYPE_CHECKING:
    from drillfeed.daemon.engine.engine import Engine

STALL_S = 0.5
# Somebody must have looked at the machine itself before these are cleared: a page elsewhere may not.
AT_THE_MACHINE = frozenset(
    {
        "wheel-astray",
        "wheel-uncommanded",
        "angle-astray",
        "slow-spinup",
        "still-turning",
        "unreadable",
        "driver-fault",
        "driver-contradicts",
        "internal",
    }
)
SPINUP_PATIENCE_S = 5.0


@dataclass(frozen=True)
class Fault:
    """The first cause, as it is latched."""

    cause: str
    text: str
    at_s: float
    hint: str
    next_step: str


@dataclass(frozen=True)
class Hazard:
    """One row: a name for the cause, the check, what may lie behind it, what to do."""

    cause: str
    check: Callable[["Engine", float], str | None]
    hint: str
    states: frozenset[State]
    next_step: str = "look at the machine, then: clear"


_LED: frozenset[State] = UNDER_WAY | {"SETUP"}
_ACTIVE: frozenset[State] = _LED | MOVING


def _slept(engine: "Engine", now_s: float) -> str | None:
    """Look for sleep of this computer, at rest only where an arm is under way, and for that of the driver's."""
    if engine.slept_s is not None and (engine.state != "IDLE" or engine.pending is not None):
        return f"the computer slept for {engine.slept_s:.1f} s"
    tripped = _tripped(engine, now_s)
    return tripped if tripped is not None and MACHINE_SLEPT in tripped else None


def _stalled(engine: "Engine", now_s: float) -> str | None:
    gap_s = now_s - engine.ticked_s
    return f"the control loop stood still for {gap_s:.2f} s" if gap_s > STALL_S else None


def _silent(engine: "Engine", now_s: float) -> str | None:
    age_s = engine.link.status_age_s(now_s)
    return f"no status {for_text(age_s)}" if age_s > WATCHDOG_STOP_S else None


def _deaf(engine: "Engine", now_s: float) -> str | None:
    deaf_s = engine.link.deaf_s(now_s)
    return f"no setpoint accepted {for_text(deaf_s)}" if deaf_s > DEAF_FAULT_S else None


def _tripped(engine: "Engine", now_s: float) -> str | None:
    status = engine.link.status
    if status is not None and status.mode == "tripped":
        return f"the driver stopped by itself: {status.mode_reason or 'no reason given'}"
    return None


def _reported(engine: "Engine", now_s: float) -> str | None:
    status = engine.link.status
    if status is not None and status.faults:
        return "; ".join(f"{fault.part}: {fault.what}" for fault in status.faults)
    return None


def _gave_up(engine: "Engine", now_s: float) -> str | None:
    status = engine.link.status
    if status is None or not engine.link.epoch_shown or status.mode == "armed":
        return None
    return f"the driver is {status.mode}: {status.mode_reason or 'no reason given'}"


def _unreadable(engine: "Engine", now_s: float) -> str | None:
    status = engine.link.status
    if status is None or not engine.machine.sensors.speed_feedback:
        return None
    blind = [name for name, wheel in (("top", status.top), ("bottom", status.bottom)) if wheel.measured_rpm is None]
    return f"no measured speed of the {' and '.join(blind)} wheel" if blind else None


def _contradicts(engine: "Engine", now_s: float) -> str | None:
    return "; ".join(engine.doubts.lines(now_s)) or None


def _slow_spinup(engine: "Engine", now_s: float) -> str | None:
    if engine.arrived_s is None and now_s > engine.spinup_due_s + SPINUP_PATIENCE_S:
        return f"the axes have not arrived {SPINUP_PATIENCE_S:g} s after they should have"
    return None


def _wheel_uncommanded(engine: "Engine", now_s: float) -> str | None:
    turning = engine.standing.uncommanded(engine.since_s if engine.state == "ARMED" else None, now_s)
    return f"the {turning}, and nothing was asked of it" if turning else None


def _wheel_astray(engine: "Engine", now_s: float) -> str | None:
    return engine.axis_watch.wheel_astray(now_s)


def _angle_astray(engine: "Engine", now_s: float) -> str | None:
    return engine.axis_watch.angle_astray(now_s)


HAZARDS: tuple[Hazard, ...] = (
    Hazard(
        MACHINE_SLEPT,
        _slept,
        "the computer was suspended: its lid, its power button, its battery, or nobody had typed for long",
        _ACTIVE | {"IDLE"},
        "see that nobody is at the machine, then: clear",
    ),
    Hazard(
        "tripped",
        _tripped,
        "the daemon or the link to the driver stood still, or the daemon was started anew",
        _ACTIVE | {"IDLE"},
    ),
    Hazard("driver-fault", _reported, "the driver reports a fault of a part", _ACTIVE),
    Hazard("stalled", _stalled, "the computer was overloaded, or the process was frozen", _ACTIVE),
    Hazard("link-lost", _silent, "the driver's program or its cable", _ACTIVE, "see that the driver runs, then: clear"),
    Hazard("driver-deaf", _deaf, "status arrives but setpoints are not accepted: see the driver's log", _LED),
    Hazard("driver-disarmed", _gave_up, "the driver left the armed mode by itself, or another told it to", _LED),
    Hazard("unreadable", _unreadable, "a speed sensor or its cable", _LED),
    Hazard(
        "wheel-uncommanded",
        _wheel_uncommanded,
        "a motor that runs by itself, a hand at the wheel, or a speed sensor that counts where nothing turns",
        _LED,
        "cut the motor power, wait for the wheels, look, then: clear",
    ),
    Hazard(
        "wheel-astray",
        _wheel_astray,
        "a motor, its driver or belt; a ball stuck between the wheels; a speed sensor; rates too high in the profile",
        RUNNING,
        "cut the motor power, wait for the wheels, look, then: clear",
    ),
    Hazard(
        "angle-astray",
        _angle_astray,
        "the motor that turns the throw, or its sensor; something in the way; a screw that came loose",
        RUNNING,
        "cut the motor power, wait for the wheels, look, then: clear",
    ),
    Hazard(
        "driver-contradicts",
        _contradicts,
        "a mistake in the driver's program, or two drivers that answer as one",
        _LED,
        "cut the motor power, look at the driver's program, then: clear",
    ),
    Hazard("slow-spinup", _slow_spinup, "a wheel that is stuck, a weak supply, a blocked tilt", frozenset({"SPINUP"})),
)


def first_hazard(engine: "Engine", now_s: float) -> Fault | None:
    """Return the first hazard that holds in the present state, as a fault to latch."""
    for row in HAZARDS:
        if engine.state in row.states:
            seen = row.check(engine, now_s)
            if seen is not None:
                return Fault(row.cause, seen, now_s, row.hint, row.next_step)
    return None
