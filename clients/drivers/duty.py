"""Wheels without speed feedback: which duty gives which speed, at which supply voltage.

Rule of this file: pure. At steady speed a brushed motor's speed rises with the mean voltage at its terminals, which
is duty x supply (textbook). So a duty measured at one voltage is multiplied by that voltage over the present one.
"""

from bisect import bisect_right
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Any


@dataclass(frozen=True, slots=True)
class DutyTable:
    """Measured pairs of duty (0 to 1) and wheel speed (rpm), both rising, at `volts` of supply."""

    volts: float
    duty: tuple[float, ...]
    rpm: tuple[float, ...]


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


def table_of(volts: float, duty: Sequence[float], rpm: Sequence[float]) -> DutyTable:
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
    return DutyTable(float(volts), tuple(map(float, duty)), tuple(map(float, rpm)))


def duty_of(data: Mapping[str, Any], file: str) -> Mapping[str, DutyTable]:
    """Return the tables of both wheels from a TOML file; raise ValueError that names the file and what is wrong.

    `volts = 12.4`, then `[top]` and `[bottom]` with `duty = [0.0, 0.2, 1.0]` and `rpm = [0, 420, 3200]`.
    """
    try:
        return {wheel: table_of(data["volts"], data[wheel]["duty"], data[wheel]["rpm"]) for wheel in ("top", "bottom")}
    except KeyError as missing:
        raise ValueError(
            f"{file}: {missing} is missing; expected volts, and duty and rpm in [top] and [bottom]"
        ) from None
    except (TypeError, ValueError, OverflowError) as error:
        raise ValueError(f"{file}: {error}") from None
