"""What isn't known of a machine and of the constants of flight, as widths to draw from.

Rule of this file: an uncalibrated machine is uncertain by the marks of its profile, without marks by our figures;
a calibrated one by what was measured.
"""

import math
from dataclasses import dataclass

from drillfeed.daemon.aim.causes import Shift
from drillfeed.daemon.aim.thrower import Measured, Thrower
from drillfeed.daemon.physics.widths import WIDTHS, Widths

# Standard deviations for a machine that was never measured: our figures for home builds, no source.
UNCALIBRATED_WHEEL_SHARE = 0.02
UNCALIBRATED_TILT_DEG = 1.0
USUAL_SCATTER_M = 0.05  # if a calibration holds none: the value that `calibrate` starts from
# A calibration measures direct landings, which include drag and lift, but not friction and restitution at the table.
MEASURED_WIDTHS = Widths(drag_sd=0.0, lift_slope_sd=0.0)


@dataclass(frozen=True)
class Unknown:
    """Hold standard deviations of what isn't known: each wheel's speed as a share, the tilt's zero, the constants.

    On a calibrated machine `middle_m` is how well the middle of the landings is known along the table. `scatter_m` is
    the measured deviation of single landings about it, None if it was not measured. Without `widths` the constants are
    taken as exact. `shifts` is what one deviation of each value of a marked profile does, instead of the shares.
    """

    wheel_share: float = 0.0
    tilt_deg: float = 0.0
    middle_m: float = 0.0
    scatter_m: float | None = None
    widths: Widths | None = None
    uncalibrated: bool = False
    shifts: tuple[Shift, ...] = ()

    @property
    def landing_sd_m(self) -> float | None:
        """Return the deviation of a single landing about the aim on a calibrated machine, None without a scatter."""
        return None if self.scatter_m is None else math.hypot(self.scatter_m, self.middle_m)


NOTHING = Unknown()


def unknown_of(thrower: Thrower) -> Unknown:
    """Return what isn't known of a machine.

    The middle of the landings used in a calibration is known to scatter x sqrt(values / balls): the mean variance of a
    fitted value in least squares, over the balls of the fit. The landings of other balls are known less well.
    """
    if not thrower.calibrated and thrower.shifts is not None:
        return Unknown(widths=WIDTHS, uncalibrated=True, shifts=thrower.shifts)
    if not thrower.calibrated:
        return Unknown(UNCALIBRATED_WHEEL_SHARE, UNCALIBRATED_TILT_DEG, widths=WIDTHS, uncalibrated=True)
    learnt = thrower.measured or Measured(None, 1, 1)
    scatter = USUAL_SCATTER_M if learnt.scatter_m is None else learnt.scatter_m
    middle = scatter * math.sqrt(min(learnt.values / learnt.balls, 1.0))
    return Unknown(middle_m=middle, scatter_m=learnt.scatter_m, widths=MEASURED_WIDTHS)
