"""What isn't known of a machine, value by value: how far off each may be, and what a ball feels of it.

Rule of this file: rows of a table, one for each key of a profile that moves a ball or its moment. Widths are ours (home
builds, no source) where a profile says `guessed` or `default`; where it says how far off a measurement may be, that
counts. A profile without marks has none of these: `unknown.py` says what is assumed of it.
"""

from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from typing import Any

from drillfeed.daemon.known import Basis, Known
from drillfeed.daemon.machine import Machine
from drillfeed.daemon.physics.thrower import speed_share, spin_share
from drillfeed.daemon.wheel import Wheel

WHEELS = ("top", "bottom")
ALIKE_SHARE = 0.01  # standard deviation of one wheel's speed where one measurement stands for both


@dataclass(frozen=True)
class Shift:
    """Hold what a ball feels if a value is one standard deviation more than the profile says.

    Shares of each rim's speed and of the ball's speed and spin; degrees of tilt everywhere, at the lower and at the
    upper stop; the share of the tilt's way from its lower stop; metres of the opening's height, distance and pivot.
    """

    top: float = 0.0
    bottom: float = 0.0
    speed: float = 0.0
    spin: float = 0.0
    tilt_deg: float = 0.0
    low_stop_deg: float = 0.0
    high_stop_deg: float = 0.0
    tilt_way_share: float = 0.0
    height_m: float = 0.0
    back_m: float = 0.0
    pivot_m: float = 0.0

    def scaled(self, by: float) -> "Shift":
        """Return the shift of `by` standard deviations."""
        return Shift(**{name: by * value for name, value in vars(self).items()})

    def tilt_at(self, tilt_deg: float, span: tuple[float, float]) -> float:
        """Return by how many degrees the head is off at a tilt between its stops."""
        low, high = span
        part = (tilt_deg - low) / (high - low)
        stops = (1.0 - part) * self.low_stop_deg + part * self.high_stop_deg
        return self.tilt_deg + stops + self.tilt_way_share * (tilt_deg - low)


NO_SHIFT = Shift()


@dataclass(frozen=True)
class Cause:
    """Hold one value that isn't known exactly: where it stands, on what basis, and what one deviation of it does.

    `sd` has the unit of the key; `best_sd` is what careful measuring leaves. `scatters` tells that it is a width of
    throws itself, so that it widens the landings and doesn't move them. `tempo` tells that it moves balls in time.
    """

    path: str
    basis: Basis
    value: float
    sd: float
    best_sd: float
    shift: Shift = NO_SHIFT
    scatters: bool = False
    tempo: bool = False


ToShift = Callable[[Machine, float, tuple[str, ...]], Shift]


@dataclass(frozen=True)
class _Row:
    """Hold the widths of one key and what it does; `share` tells that widths are shares of the value."""

    path: str
    guess: float
    best: float
    share: bool = False
    shift: ToShift | None = None
    scatters: bool = False
    tempo: bool = False


def _rims(machine: Machine, share: float, wheels: tuple[str, ...]) -> Shift:
    return Shift(top=share if "top" in wheels else 0.0, bottom=share if "bottom" in wheels else 0.0)


def _driven_rims(machine: Machine, share: float, wheels: tuple[str, ...]) -> Shift:
    """Return the shift by a wrong full speed: without speed feedback all speeds are off by the same share."""
    return NO_SHIFT if machine.sensors.speed_feedback else _rims(machine, share, wheels)


def _inertia(machine: Machine, share: float, wheels: tuple[str, ...]) -> Shift:
    inertia = (machine.top.inertia_kg_m2 + machine.bottom.inertia_kg_m2) / 2.0
    radius_m = (machine.top.diameter_mm + machine.bottom.diameter_mm) / 4000.0
    # The effect of less is greater than that of more, so half of the difference between both counts.
    off = min(share * len(wheels) / 2.0, 0.9)
    more, less = inertia * (1.0 + off), inertia * (1.0 - off)

    def moved(part: Callable[[float, float], float]) -> float:
        return (part(more, radius_m) - part(less, radius_m)) / (2.0 * part(inertia, radius_m))

    return Shift(speed=moved(speed_share), spin=moved(spin_share))


def _low_stop(machine: Machine, sd: float, wheels: tuple[str, ...]) -> Shift:
    return Shift(low_stop_deg=sd)


def _high_stop(machine: Machine, sd: float, wheels: tuple[str, ...]) -> Shift:
    return Shift(high_stop_deg=sd)


def _tilt_way(machine: Machine, share: float, wheels: tuple[str, ...]) -> Shift:
    return NO_SHIFT if machine.sensors.speed_feedback else Shift(tilt_way_share=share)


def _play(machine: Machine, sd: float, wheels: tuple[str, ...]) -> Shift:
    return Shift(tilt_deg=sd / 12**0.5)  # the deviation of an even spread from end to end


def _sag(machine: Machine, wheels: tuple[str, ...]) -> Shift:
    """Return the shift by a battery that may be anywhere between full and empty, where nothing makes up for it."""
    if machine.sensors.speed_feedback or machine.supply is not None:
        return NO_SHIFT
    return _rims(machine, machine.sag_share / 12**0.5, wheels)


ROWS: tuple[_Row, ...] = (
    _Row("wheels.diameter_mm", 0.03, 0.005, share=True, shift=_rims),
    _Row("wheels.high_rpm", 0.08, 0.005, share=True, shift=_driven_rims),
    _Row("wheels.motor_high_rpm", 0.08, 0.005, share=True, shift=_driven_rims),
    _Row("wheels.inertia_kg_m2", 0.4, 0.15, share=True, shift=_inertia),
    _Row("wheels.up_mps2", 0.3, 0.08, share=True, tempo=True),
    _Row("wheels.down_mps2", 0.3, 0.08, share=True, tempo=True),
    _Row("wheels.coast_time_constant_s", 0.3, 0.08, share=True, tempo=True),
    _Row("wheels.spin_down_s", 0.3, 0.04, share=True, tempo=True),
    _Row("tilt.low_deg", 2.0, 0.4, shift=_low_stop),
    _Row("tilt.high_deg", 2.0, 0.4, shift=_high_stop),
    _Row("tilt.slew_deg_per_s", 0.15, 0.02, share=True, shift=_tilt_way, tempo=True),
    _Row("tilt.play_deg", 0.5, 0.1, shift=_play, scatters=True),
    _Row("opening.height_m", 0.02, 0.0025, shift=lambda machine, sd, wheels: Shift(height_m=sd)),
    _Row("opening.behind_end_line_m", 0.03, 0.005, shift=lambda machine, sd, wheels: Shift(back_m=sd)),
    _Row("opening.pivot_to_opening_m", 0.03, 0.0025, shift=lambda machine, sd, wheels: Shift(pivot_m=sd)),
    _Row("feeder.latency_s", 0.1, 0.01, tempo=True),
    _Row("feeder.spread_s", 0.04, 0.01, tempo=True),
    _Row("feeder.high_balls_per_min", 0.1, 0.01, share=True, tempo=True),
    _Row("feeder.phase_error_per_turn", 0.6, 0.2, share=True, tempo=True),
    _Row("settling.wheels_s", 0.4, 0.4, share=True, tempo=True),
    _Row("settling.tilt_s", 0.4, 0.4, share=True, tempo=True),
    _Row(
        "scatter.speed_share", 0.4, 0.4, share=True, scatters=True,
        shift=lambda machine, share, wheels: Shift(speed=share * machine.scatter.speed_share),
    ),
    _Row(
        "scatter.angle_deg", 0.4, 0.4, share=True, scatters=True,
        shift=lambda machine, share, wheels: Shift(tilt_deg=share * machine.scatter.angle_deg),
    ),
)  # fmt: skip


def causes_of(machine: Machine) -> tuple[Cause, ...]:
    """Return every value of a marked profile that isn't known exactly; none if the profile marks nothing."""
    return tuple(_causes(machine)) if machine.known else ()


def _causes(machine: Machine) -> Iterator[Cause]:
    for row in ROWS:
        table, _, name = row.path.partition(".")
        if table != "wheels":
            value = getattr(getattr(machine, table), name)
            yield _cause(machine, row, row.path, value, machine.known.get(row.path), ())
            continue
        for path, known, wheels in _marks(machine, name):
            value = getattr(_wheel(machine, wheels[0]), name)
            if value is not None:
                yield _cause(machine, row, path, value, known, wheels)
    sag = _sag(machine, WHEELS)
    if sag != NO_SHIFT:
        found = machine.known_of("wheels.top.sag_share")
        sd = machine.sag_share / 12**0.5
        yield Cause("wheels.sag_share", found[1].basis if found else "default", machine.sag_share, sd, sd, sag)
    if _both(machine, "high_rpm") and not machine.sensors.speed_feedback:
        for wheel in WHEELS:
            alike = _rims(machine, ALIKE_SHARE, (wheel,))
            yield Cause(f"wheels.{wheel}", "default", 1.0, ALIKE_SHARE, ALIKE_SHARE, alike)


def _marks(machine: Machine, name: str) -> Iterator[tuple[str, Known | None, tuple[str, ...]]]:
    """Yield path, mark and wheels of one key of the wheels: once if one mark stands for both, else for each."""
    if _both(machine, name):
        yield f"wheels.{name}", machine.known.get(f"wheels.{name}"), WHEELS
        return
    for wheel in WHEELS:
        found = machine.known_of(f"wheels.{wheel}.{name}")
        yield f"wheels.{wheel}.{name}", None if found is None else found[1], (wheel,)


def _both(machine: Machine, name: str) -> bool:
    found = [machine.known_of(f"wheels.{wheel}.{name}") for wheel in WHEELS]
    same = getattr(machine.top, name) == getattr(machine.bottom, name)
    return same and all(mark is None or mark[0] == f"wheels.{name}" for mark in found)


def _wheel(machine: Machine, name: str) -> Wheel:
    return machine.top if name == "top" else machine.bottom


def _cause(machine: Machine, row: _Row, path: str, value: float, known: Known | None, wheels: tuple[str, ...]) -> Cause:
    per = abs(value) if row.share else 1.0
    told = None if known is None else known.sd
    sd, best = row.guess * per if told is None else told, row.best * per
    shift = NO_SHIFT
    if row.shift is not None and sd > 0.0:
        shift = row.shift(machine, sd / per if row.share else sd, wheels)
    basis: Basis = "guessed" if known is None else known.basis
    return Cause(path, basis, float(value), sd, min(best, sd), shift, row.scatters, row.tempo)


def with_value(machine: Machine, path: str, value: float) -> Machine:
    """Return a machine with one key changed, unchecked; `wheels.NAME` changes both wheels."""
    head, *rest = path.split(".")
    if head == "wheels" and rest[0] in WHEELS:
        head, rest = rest[0], rest[1:]
    tables = WHEELS if head == "wheels" else (head,)
    changed: dict[str, Any] = {table: getattr(machine, table).model_copy(update={rest[0]: value}) for table in tables}
    return machine.model_copy(update=changed)


def measured_well(cause: Cause) -> Cause:
    """Return the same value after careful measuring."""
    if cause.sd <= 0.0:
        return cause
    return replace(cause, basis="measured", sd=cause.best_sd, shift=cause.shift.scaled(cause.best_sd / cause.sd))
