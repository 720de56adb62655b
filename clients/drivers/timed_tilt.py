"""A tilt that an actuator moves by time and no sensor sees: where the head really is.

Rule of this file: pure. The driver's output is only reckoned. The motor runs while the output moves, downwards also
below the lower stop, so that the head surely reaches it; on the way up it runs only above the stop. Whatever was summed
up before is gone then: that is homing.
"""

import math
from collections.abc import Callable

import numpy as np

from drillfeed.clients.drivers.traits import TimedTiltTraits

MAX_SLIPS = 3.0  # deviations


class TimedTilt:
    """Follows the driver's output, each move off by a slip of its own; the stops hold the head."""

    def __init__(
        self, low_deg: float, high_deg: float, at_deg: float, told_deg: float, slip_deg: Callable[[], float]
    ) -> None:
        """Begin at `at_deg`, which the driver takes for `told_deg`; `slip_deg` gives how far off one move is."""
        self._low, self._high, self._slip = low_deg, high_deg, slip_deg
        self.deg, self._told, self._way = at_deg, told_deg, 0.0

    def follow(self, told_deg: float) -> None:
        """Move as the motor does when the driver's output goes to `told_deg`."""
        step = told_deg - self._told
        if step == 0.0:
            self._way = 0.0
            return
        way = math.copysign(1.0, step)
        moved = step if way < 0 else max(told_deg, self._low) - max(self._told, self._low)
        if way != self._way and moved:
            moved, self._way = moved + self._slip(), way
        self._told = told_deg
        self.deg = min(max(self.deg + moved, self._low), self._high)


def anywhere(traits: TimedTiltTraits | None, told_deg: float, rng: np.random.Generator) -> TimedTilt | None:
    """Return a head that stands anywhere between its stops while the driver takes it to be at `told_deg`.

    None if no actuator moves the tilt by time; then nothing is drawn.
    """
    if traits is None:
        return None
    at_deg, slips = float(rng.uniform(traits.low_deg, traits.high_deg)), rng.spawn(1)[0]

    def slip_deg() -> float:
        return traits.drift_deg_per_move * float(np.clip(slips.standard_normal(), -MAX_SLIPS, MAX_SLIPS))

    return TimedTilt(traits.low_deg, traits.high_deg, at_deg, told_deg, slip_deg)
