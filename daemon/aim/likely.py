"""Likely: the range of each figure of a ball, from how well its machine and the constants of flight are known.

Every ball is flown DRAWS times in one batch, each time with other constants (and, on an uncalibrated machine, with
other wheel speeds and another tilt). A range holds the middle nine in ten, and the figure itself: the first draw of a
ball is the ball as intended. All balls share the draws, so a ball's ranges do not depend on which balls are listed with
it. Scatter from throw to throw is not included: that is `spread`.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from drillfeed.daemon.aim.spread import Errors, Setting, errors_of, launches_with
from drillfeed.daemon.aim.thrower import Thrower
from drillfeed.daemon.aim.unknown import Unknown, unknown_of
from drillfeed.daemon.physics.air import STILL_AIR, Air
from drillfeed.daemon.physics.flight_batch import FlightBatch, fly_many
from drillfeed.daemon.physics.launch import Launch, Launches
from drillfeed.daemon.physics.record import Until
from drillfeed.daemon.physics.table import NET_X_M, PLAIN_BALL, Ball
from drillfeed.daemon.physics.widths import WIDTHS, Widths, draw_constants, even_normal

Array = NDArray[np.float64]
DRAWS = 400
LOW, HIGH = 0.05, 0.95
MIN_SHARE = 0.5  # of the draws: a figure must occur in so many to have a range

# Figures with a range: name in a record -> column of a flights, and what is taken off it.
FIGURES: dict[str, tuple[str, float]] = {
    "depth_m": ("depth_m", 0.0),
    "time_s": ("time_s", 0.0),
    "net_clearance_m": ("net_clearance_m", 0.0),
    "apex_m": ("apex_m", 0.0),
    "spin_after_revps": ("spin_after_revps", 0.0),
    "speed_after_mps": ("speed_after_mps", 0.0),
    "first_bounce_m": ("first_bounce_x_m", 0.0),
    "second_bounce_m": ("second_bounce_x_m", NET_X_M),
    "end_line_s": ("end_line_s", 0.0),
    "end_line_z_m": ("end_line_z_m", 0.0),
}


class Range(NamedTuple):
    """Hold the limits between which nine in ten draws lie."""

    low: float
    high: float


@dataclass(frozen=True)
class Likely:
    """Hold the ranges of one ball by the names of FIGURES, and the share of the draws in which it is a good ball.

    A figure has no range if it did not occur in half of the draws.
    """

    share_good: float
    ranges: dict[str, Range]

    def of(self, name: str) -> Range | None:
        """Return the range of a figure, None if it has none."""
        return self.ranges.get(name)


def likely_flight(
    launch: Launch,
    rng: np.random.Generator,
    *,
    air: Air = STILL_AIR,
    ball: Ball = PLAIN_BALL,
    widths: Widths = WIDTHS,
) -> Likely:
    """Return the ranges of one launch, taken as exact, from the uncertainty of drag, lift, friction and restitution."""
    parts = (launch.position_m, launch.velocity_mps, launch.spin_radps)
    launches = Launches(*(np.repeat(np.array(part, dtype=np.float64)[:, None], DRAWS, axis=1) for part in parts))
    constants = draw_constants(rng, DRAWS, ball, widths).with_first(ball)
    flights = fly_many(launches, air=air, ball=ball, until="second", constants=constants)
    return _likely(flights, slice(None), np.zeros(DRAWS))


def likely_balls(
    thrower: Thrower,
    settings: Sequence[Setting],
    rng: np.random.Generator,
    unknown: Unknown | None = None,
    until: Until = "landing",
) -> list[Likely]:
    """Return the ranges of balls thrown at settings of one machine, all flown in one batch."""
    if not settings:
        return []
    known = unknown_of(thrower) if unknown is None else unknown
    top, bottom, tilt, middle = (_with_first_zero(even_normal(rng, DRAWS)) for _ in range(4))
    widths = known.widths or Widths(0.0, 0.0, 0.0, 0.0)
    constants = draw_constants(rng, DRAWS, thrower.ball, widths).with_first(thrower.ball)
    errors = Errors(top=known.wheel_share * top, bottom=known.wheel_share * bottom, tilt_deg=known.tilt_deg * tilt)
    drawn = [(shift, _with_first_zero(even_normal(rng, DRAWS))) for shift in known.shifts]
    several = []
    for setting in settings:
        of_setting = errors
        for shift, deviations in drawn:
            of_setting = of_setting.plus(errors_of(shift, deviations, setting.tilt_deg, thrower))
        several.append(launches_with(thrower, setting, DRAWS, of_setting))
    launches = Launches(
        *(
            np.concatenate([getattr(part, name) for part in several], axis=1)
            for name in ("position_m", "velocity_mps", "spin_radps")
        )
    )
    rows = np.tile(np.arange(DRAWS), len(settings))
    flights = fly_many(launches, air=thrower.air, ball=thrower.ball, until=until, constants=constants.of(rows))
    return [_likely(flights, slice(n * DRAWS, (n + 1) * DRAWS), known.middle_m * middle) for n in range(len(settings))]


def _with_first_zero(numbers: Array) -> Array:
    numbers[0] = 0.0
    return numbers


def _likely(flights: FlightBatch, rows: slice, moved_m: Array) -> Likely:
    """Return the ranges of some rows of a flights, their landings moved along the table."""
    ranges = {}
    for name, (column, less) in FIGURES.items():
        numbers = getattr(flights, column)[rows] - less
        if name == "depth_m":
            numbers = numbers + moved_m
        happened = numbers[np.isfinite(numbers)]
        if len(happened) >= MIN_SHARE * len(numbers):
            low, high = np.quantile(happened, (LOW, HIGH))
            meant = numbers[0] if np.isfinite(numbers[0]) else low
            ranges[name] = Range(float(min(low, meant)), float(max(high, meant)))
    return Likely(float(flights.valid[rows].mean()), ranges)
