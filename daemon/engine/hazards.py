"""What must not go on: checks over what is known, worst first, each with its hint and its next step.

Rule of this file: detection only; what follows from a hazard is decided by the state table. A check answers None if all
is well, else one line that says what was seen.
"""

from collections.abc import Callable
from dataclasses import dataclass

from drillfeed.daemon.engine.fault import Fault
from drillfeed.daemon.engine.link_condition import DEAF_FAULT_S, for_text
from drillfeed.daemon.engine.parts import Parts
from drillfeed.daemon.engine.states import MOVING, RUNNING, UNDER_WAY
from drillfeed.protocol.link import WATCHDOG_STOP_S
from drillfeed.protocol.sleep import MACHINE_SLEPT
from drillfeed.protocol.status import State
from drillfeed.protocol.texts.catalogue import text

STALL_S = 0.5
SPINUP_PATIENCE_S = 5.0


@dataclass(frozen=True)
class Tick:
    """One step of time: now, when the engine last went on, and for how long the computer has just slept, or None."""

    now_s: float
    before_s: float
    slept_s: float | None = None


@dataclass(frozen=True)
class Hazard:
    """One row: a name for the cause, the check, the states it is looked for in, and the ids of two texts.

    `hint` says what may lie behind it, `next_step` what to do.
    """

    cause: str
    check: Callable[[Parts, Tick], str | None]
    states: frozenset[State]
    hint: str
    next_step: str = "step.look"


_LED: frozenset[State] = UNDER_WAY | {"SETUP"}
_ACTIVE: frozenset[State] = _LED | MOVING


def _slept(parts: Parts, tick: Tick) -> str | None:
    """Look for sleep of this computer, at rest only while an arm is under way, and for that of the driver's."""
    if tick.slept_s is not None and (parts.mode.state != "IDLE" or parts.pending.command is not None):
        return text("seen.slept", slept_s=tick.slept_s)
    tripped = _tripped(parts, tick)
    return tripped if tripped is not None and MACHINE_SLEPT in tripped else None


def _stalled(parts: Parts, tick: Tick) -> str | None:
    gap_s = tick.now_s - tick.before_s
    return text("seen.stalled", for_s=gap_s) if gap_s > STALL_S else None


def _silent(parts: Parts, tick: Tick) -> str | None:
    age_s = parts.link.status_age_s(tick.now_s)
    return text("seen.silent", for_so_long=for_text(age_s)) if age_s > WATCHDOG_STOP_S else None


def _deaf(parts: Parts, tick: Tick) -> str | None:
    deaf_s = parts.link.deaf_s(tick.now_s)
    return text("feed.deaf", for_so_long=for_text(deaf_s)) if deaf_s > DEAF_FAULT_S else None


def _tripped(parts: Parts, tick: Tick) -> str | None:
    status = parts.link.status
    if status is not None and status.mode == "tripped":
        return text("seen.tripped", reason=status.mode_reason or text("seen.no-reason"))
    return None


def _reported(parts: Parts, tick: Tick) -> str | None:
    status = parts.link.status
    if status is not None and status.faults:
        return "; ".join(f"{fault.part}: {fault.what}" for fault in status.faults)
    return None


def _gave_up(parts: Parts, tick: Tick) -> str | None:
    status = parts.link.status
    if status is None or not parts.link.epoch_shown or status.mode == "armed":
        return None
    return text("seen.gave-up", mode=status.mode, reason=status.mode_reason or text("seen.no-reason"))


def _unreadable(parts: Parts, tick: Tick) -> str | None:
    status = parts.link.status
    if status is None or not parts.machine.sensors.speed_feedback:
        return None
    blind = [name for name, wheel in (("top", status.top), ("bottom", status.bottom)) if wheel.measured_rpm is None]
    return text("seen.unreadable", wheels=" and ".join(blind)) if blind else None


def _contradicts(parts: Parts, tick: Tick) -> str | None:
    return "; ".join(parts.doubts.lines(tick.now_s)) or None


def _slow_spinup(parts: Parts, tick: Tick) -> str | None:
    if parts.motion.arrived_s is None and tick.now_s > parts.motion.spinup_due_s + SPINUP_PATIENCE_S:
        return text("seen.slow-spinup", patience_s=SPINUP_PATIENCE_S)
    return None


def _wheel_uncommanded(parts: Parts, tick: Tick) -> str | None:
    armed_since_s = parts.mode.since_s if parts.mode.state == "ARMED" else None
    turning = parts.motion.standing.uncommanded(armed_since_s, tick.now_s)
    return text("standing.uncommanded", wheel=turning) if turning else None


def _wheel_off(parts: Parts, tick: Tick) -> str | None:
    return parts.motion.following_error.wheel(tick.now_s)


def _angle_off(parts: Parts, tick: Tick) -> str | None:
    return parts.motion.following_error.angle(tick.now_s)


HAZARDS: tuple[Hazard, ...] = (
    Hazard(MACHINE_SLEPT, _slept, _ACTIVE | {"IDLE"}, "hint.machine-slept", "step.nobody-there"),
    Hazard("tripped", _tripped, _ACTIVE | {"IDLE"}, "hint.tripped"),
    Hazard("driver-fault", _reported, _ACTIVE, "hint.driver-fault"),
    Hazard("stalled", _stalled, _ACTIVE, "hint.stalled"),
    Hazard("link-lost", _silent, _ACTIVE, "hint.link-lost", "step.see-driver"),
    Hazard("driver-deaf", _deaf, _LED, "hint.driver-deaf"),
    Hazard("driver-disarmed", _gave_up, _LED, "hint.driver-disarmed"),
    Hazard("unreadable", _unreadable, _LED, "hint.unreadable"),
    Hazard("wheel-uncommanded", _wheel_uncommanded, _LED, "hint.wheel-uncommanded", "step.cut-wait-look"),
    Hazard("wheel-off-speed", _wheel_off, RUNNING, "hint.wheel-off-speed", "step.cut-wait-look"),
    Hazard("angle-off-target", _angle_off, RUNNING, "hint.angle-off-target", "step.cut-wait-look"),
    Hazard("driver-contradicts", _contradicts, _LED, "hint.driver-contradicts", "step.driver-program"),
    Hazard("slow-spinup", _slow_spinup, frozenset({"SPINUP"}), "hint.slow-spinup"),
)


def first_hazard(parts: Parts, tick: Tick) -> Fault | None:
    """Return the first hazard that holds in the present state, as a fault to latch."""
    for hazard in HAZARDS:
        if parts.mode.state in hazard.states:
            seen = hazard.check(parts, tick)
            if seen is not None:
                return Fault(hazard.cause, seen, tick.now_s, text(hazard.hint), text(hazard.next_step))
    return None
