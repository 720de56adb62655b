"""Table, net and ball: the sizes in the Laws and the ball's properties.

Frame used everywhere: x along the table from the thrower's end line (0) to the player's (2.74), y to the left seen
along +x, z up from the playing surface; angular velocity in rad/s; travelling along +x, topspin is omega_y > 0.
"""

import math
from dataclasses import dataclass
from typing import Any

TABLE_LENGTH_M = 2.74
TABLE_WIDTH_M = 1.525
TABLE_HEIGHT_M = 0.76
HALF_WIDTH_M = TABLE_WIDTH_M / 2
NET_X_M = TABLE_LENGTH_M / 2
NET_HEIGHT_M = 0.1525
POST_OVERHANG_M = 0.1525
NET_HALF_WIDTH_M = HALF_WIDTH_M + POST_OVERHANG_M

Box = tuple[tuple[float, float, float], tuple[float, float, float]]
TABLE_BOX: Box = ((0.0, -HALF_WIDTH_M, 0.0), (TABLE_LENGTH_M, HALF_WIDTH_M, 0.0))
NET_BOX: Box = ((NET_X_M, -NET_HALF_WIDTH_M, 0.0), (NET_X_M, NET_HALF_WIDTH_M, NET_HEIGHT_M))

# A second bounce within this distance of the end line counts as half-long: a default of ours.
HALF_LONG_BAND_M = 0.15

# The flights that drag and lift were fitted to (Gossard et al. 2023, arXiv:2303.03879); outside them is extrapolation.
MEASURED_SPEED_MPS = (5.0, 12.0)
MEASURED_SPIN_REVPS = (15.0, 80.0)
# The wider range in which the figures are still used: our judgement, not a measurement.
VALID_SPEED_MPS = (3.0, 20.0)
VALID_SPIN_REVPS = (0.0, 120.0)


def over_table(x_m: Any, y_m: Any) -> Any:
    """Tell whether a place, or each of n places, lies over the table."""
    return (x_m >= 0.0) & (x_m <= TABLE_LENGTH_M) & (abs(y_m) <= HALF_WIDTH_M)


@dataclass(frozen=True)
class Ball:
    """Hold a ball's mass, size and coefficients.

    Drag and lift are the pair fitted to measured flights (data of Gossard et al. 2023, arXiv:2303.03879): drag 0.55,
    lift min(0.75 S, 0.26). With `lift_by_volume` the lift is C_M rho V (omega x v) instead, the form of Nakashima et
    al. 2011 (IEEE ROBIO, eq. 1); `lift_slope` is then 8/3 C_M, and the cap is not used. Restitution falls with the
    impact speed, `restitution_at_rest - restitution_fall_spm * |v_n|`, within `min_restitution` and
    `max_restitution`. `restitution_shift` moves it by that many standard deviations (`bounce.restitution_sd`).
    """

    mass_kg: float = 0.0027
    radius_m: float = 0.020
    drag: float = 0.55
    lift_slope: float = 0.75
    lift_cap: float = 0.26
    lift_by_volume: bool = False
    friction: float = 0.25
    restitution_at_rest: float = 0.98
    restitution_fall_spm: float = 0.02
    min_restitution: float = 0.75
    max_restitution: float = 0.94
    restitution_shift: float = 0.0
    spin_decay_s: float = math.inf


PLAIN_BALL = Ball()
