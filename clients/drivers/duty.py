"""Wheels without speed feedback: which duty gives which speed, at which supply voltage.

Rule of this file: pure. At steady speed a brushed motor's speed rises with the mean voltage at its terminals, which
is duty x supply (textbook). So a duty measured at one voltage is multiplied by that voltage over the present one.
"""

import math
from bisect import bisect_right
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Any


@dataclass(frozen=True, slots=True)
class DutyTable:
    """Measured pairs of duty (0 to 1) and wheel speed (rpm), both rising, at `volts` of supply."""

    volts: float
    duty: tuple[float, ...]
    rpm: tuple[float, ...]
    plus_minus_rpm: float = 0.0


def rpm_for(duty: float, table: DutyTable, supply_v: float | None) -> float:
    """Return the wheel speed in rpm at a duty, 0 to 1, and a supply voltage: the reverse of `duty_for`.

    If the supply is not known, the battery may have aged since the table was measured: see `aged_share`.
    """
    effective = duty if supply_v is None else duty * supply_v / table.volts
    pairs = _from_zero(list(zip(table.duty, table.rpm, strict=True)))
    place = min(max(bisect_right([pair[0] for pair in pairs], effective), 1), len(pairs) - 1)
    (low_duty, low), (high_duty, high) = pairs[place - 1], pairs[place]
    return low + (high - low) * min((effective - low_duty) / (high_duty - low_duty), 1.0)


def _from_zero(pairs: list[tuple[float, float]]) -> list[tuple[float, float]]:
    return pairs if pairs[0][0] <= 0 else [(0.0, 0.0), *pairs]


def off_rpm(rpm: float, table: DutyTable) -> float:
    """Return the plus-minus in rpm of a speed that the table gives: that of its readings, and that of its lines.

    Between two points the true curve leaves the line by at most a quarter of what an inner point leaves the line
    between its neighbours, if its bend is even (textbook: the error of linear interpolation is h^2/8 times the bend).
    Along the line it is 4 p (1 - p) of that, at the part p of the way.
    """
    bends = [
        abs(here - (before + (after - before) * (at - earlier) / (later - earlier)))
        for (earlier, before), (at, here), (later, after) in _threes(table)
    ]
    points = table.rpm if table.rpm[0] <= 0 else (0.0, *table.rpm)
    place = min(max(bisect_right(points, rpm), 1), len(points) - 1)
    part = min(max((rpm - points[place - 1]) / (points[place] - points[place - 1]), 0.0), 1.0)
    return math.hypot(table.plus_minus_rpm, max(bends, default=0.0) * part * (1.0 - part))


def _threes(table: DutyTable) -> Iterator[tuple[tuple[float, float], tuple[float, float], tuple[float, float]]]:
    pairs = list(zip(table.duty, table.rpm, strict=True))
    yield from zip(pairs, pairs[1:], pairs[2:], strict=False)


def aged_share(table: DutyTable, full_v: float, empty_v: float) -> tuple[float, float]:
    """Return the shares of the table's speed at which a wheel turns, empty and full, if nothing tells the voltage."""
    return empty_v / table.volts, full_v / table.volts


def duty_for(rpm: float, table: DutyTable, supply_v: float | None) -> float:
    """Return the duty, 0 to 1, for a wheel speed in rpm. If the supply is not known, assume the table's own voltage.

    Between two points, and from zero to the first point, interpolate along a line. Above the last point, use its duty.
    """
    if rpm <= 0:
        return 0.0
    points = [(0.0, 0.0), *zip(table.rpm, table.duty, strict=True)] if table.rpm[0] > 0 else None
    pairs = points or list(zip(table.rpm, table.duty, strict=True))
    place = min(bisect_right([pair[0] for pair in pairs], rpm), len(pairs) - 1)
    (low_rpm, low), (high_rpm, high) = pairs[place - 1], pairs[place]
    share = min((rpm - low_rpm) / (high_rpm - low_rpm), 1.0)
    duty = low + share * (high - low)
    if supply_v is not None and supply_v > 0:
        duty *= table.volts / supply_v
    return min(duty, 1.0)


def table_of(volts: float, duty: Sequence[float], rpm: Sequence[float], plus_minus_rpm: float = 0.0) -> DutyTable:
    """Return a table, or raise ValueError that says what is wrong with it."""
    if volts <= 0:
        raise ValueError(f"volts {volts:g}; expected the supply's voltage when the table was measured, above 0")
    if len(duty) != len(rpm) or len(duty) < 2:
        raise ValueError(f"{len(duty)} duties and {len(rpm)} speeds; expected the same number of each, two or more")
    for name, values in (("duty", duty), ("rpm", rpm)):
        if any(later <= earlier for earlier, later in pairwise(values)):
            raise ValueError(f"{name} {list(values)}; expected each value above the previous one")
    if duty[0] < 0 or duty[-1] > 1 or rpm[0] < 0:
        raise ValueError("expected duties from 0 to 1 and speeds from 0 up")
    if not plus_minus_rpm >= 0:
        raise ValueError(f"plus_minus_rpm {plus_minus_rpm:g}; expected how far off a reading may be, 0 or more")
    return DutyTable(float(volts), tuple(map(float, duty)), tuple(map(float, rpm)), float(plus_minus_rpm))


def duty_of(data: Mapping[str, Any], file: str) -> Mapping[str, DutyTable]:
    """Return the tables of both wheels from a TOML file; raise ValueError that names the file and what is wrong.

    `volts = 12.4` and perhaps `plus_minus_rpm = 30`, then `[top]` and `[bottom]` with `duty = [0.0, 0.2, 1.0]` and
    `rpm = [0, 420, 3200]`.
    """
    try:
        off_rpm_told = data.get("plus_minus_rpm", 0.0)
        return {
            wheel: table_of(data["volts"], data[wheel]["duty"], data[wheel]["rpm"], off_rpm_told)
            for wheel in ("top", "bottom")
        }
    except KeyError as missing:
        raise ValueError(
            f"{file}: {missing} is missing; expected volts, and duty and rpm in [top] and [bottom]"
        ) from None
    except (TypeError, ValueError, OverflowError) as error:
        raise ValueError(f"{file}: {error}") from None
