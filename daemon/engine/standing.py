"""Do the wheels stand? What a status shows of both wheels, measured and driven, judged over what the driver says.

Rule of this file: a driver's own `at_rest` is believed only where no figure speaks against it.
"""

from collections import deque
from collections.abc import Iterator
from dataclasses import dataclass, field
from statistics import median

from drillfeed.daemon.machine import Machine, WheelName
from drillfeed.protocol.link import BAND_MEDIAN_S, REST_RIM_MPS, Status, WheelState
from drillfeed.protocol.status import Known
from drillfeed.protocol.texts.catalogue import text

UNCOMMANDED_RIM_MPS = 0.30
"""A rim faster than this, with nothing asked of its wheel, turns by itself. House value, no source."""
MIN_STATUSES = 3
NAMES: tuple[WheelName, ...] = ("top", "bottom")


@dataclass(frozen=True)
class Shown:
    """What a status shows of one wheel: measured and driven, in rpm, and the faster of both at the rim in m/s."""

    name: WheelName
    measured_rpm: float | None
    driven_rpm: float
    rim_mps: float

    @property
    def text(self) -> str:
        """Return the speed in words: `top wheel turns at 3,000 rpm (9.4 m/s at the rim)`."""
        if self.measured_rpm is None or abs(self.measured_rpm) < abs(self.driven_rpm):
            return text("standing.driven", wheel=self.name, rpm=self.driven_rpm, rim_mps=self.rim_mps)
        return text("standing.turns", wheel=self.name, rpm=self.measured_rpm, rim_mps=self.rim_mps)


def shown(status: Status, machine: Machine) -> Iterator[Shown]:
    """Yield what a status shows of each wheel."""
    for name in NAMES:
        wheel: WheelState = getattr(status, name)
        rpm = max(abs(wheel.measured_rpm or 0.0), abs(wheel.target_rpm))
        yield Shown(name, wheel.measured_rpm, wheel.target_rpm, machine.wheel(name).rim_mps(rpm))


def rest_of(status: Status, machine: Machine) -> tuple[bool | None, Known]:
    """Tell whether the wheels stand and how that is known: by the figures first, then as the driver says."""
    wheels = list(shown(status, machine))
    measured = [wheel.measured_rpm for wheel in wheels]
    for wheel in wheels:
        if wheel.measured_rpm is not None and abs(machine.wheel(wheel.name).rim_mps(wheel.measured_rpm)) > REST_RIM_MPS:
            return False, "measured"
    if any(wheel.driven_rpm for wheel in wheels):
        return False, "measured" if None not in measured else "assumed"
    known: Known = status.rest_known
    if None in measured and known == "measured":
        known = "unknown" if machine.sensors.speed_feedback else "assumed"
    return (None if known == "unknown" else status.at_rest), known


def uncommanded(status: Status, machine: Machine) -> Shown | None:
    """Return the first wheel that a status shows faster than any wheel is that nobody drives, or None."""
    return next((wheel for wheel in shown(status, machine) if wheel.rim_mps > UNCOMMANDED_RIM_MPS), None)


def turning_text(status: Status | None, machine: Machine) -> str | None:
    """Return the line for a status in which a wheel turns that nobody drives, or None."""
    wheel = uncommanded(status, machine) if status is not None else None
    return text("standing.uncommanded", wheel=wheel.text) if wheel else None


@dataclass
class StandingWatch:
    """The newest statuses, and from when on each wheel has had no output for as long as it takes to run down."""

    machine: Machine
    recent: deque[tuple[float, dict[WheelName, Shown]]] = field(default_factory=lambda: deque(maxlen=16))
    zero_since_s: dict[WheelName, float] = field(default_factory=dict)
    told: bool = False

    def see(self, status: Status, now_s: float) -> None:
        """Take a status."""
        wheels = {wheel.name: wheel for wheel in shown(status, self.machine)}
        self.recent.append((now_s, wheels))
        for name, wheel in wheels.items():
            if wheel.driven_rpm:
                self.zero_since_s.pop(name, None)
            else:
                self.zero_since_s.setdefault(name, now_s)

    def tell(self, turning: bool) -> None:
        """Remember whether it was told that a wheel turns by itself."""
        self.told = turning

    def uncommanded(self, armed_since_s: float | None, now_s: float) -> str | None:
        """Return which wheel turns by itself, by the median of the last 100 ms; None where none does.

        `armed_since_s`: since when both wheels must stand, where the thrower is armed; else each must once its output
        has been zero for the spin-down time.
        """
        for name in NAMES:
            zero_s = self.zero_since_s.get(name, float("inf")) + self.machine.spin_down_s
            from_s = max(zero_s if armed_since_s is None else armed_since_s, now_s - BAND_MEDIAN_S)
            wheels = [seen[name] for at_s, seen in self.recent if at_s >= from_s]
            if len(wheels) >= MIN_STATUSES and median(wheel.rim_mps for wheel in wheels) > UNCOMMANDED_RIM_MPS:
                return max(wheels, key=lambda wheel: wheel.rim_mps).text
        return None
