"""Flight of many balls at once in numpy, with the figures of `flight.fly`.

    fly_many(launches, *, air=STILL_AIR, ball=PLAIN_BALL, until="second", constants=None) -> FlightBatch

`launches` holds (3, n) arrays (`launch.launches_from`). Every result is an (n,) array; NaN means it
never happened. With `constants` each ball has its own drag, lift, friction and restitution. Balls are flown a block at
a time, so that a block's arrays stay in the processor's cache; the cost is linear in n.
"""

from dataclasses import dataclass, fields

import numpy as np
from numpy.typing import NDArray

from drillfeed.daemon.physics.air import STILL_AIR, Air
from drillfeed.daemon.physics.block import Block
from drillfeed.daemon.physics.launch import Launches
from drillfeed.daemon.physics.record import Until
from drillfeed.daemon.physics.table import NET_X_M, PLAIN_BALL, Ball
from drillfeed.daemon.physics.widths import Constants

Array = NDArray[np.float64]
Flags = NDArray[np.bool_]
BLOCK = 10000


@dataclass(frozen=True)
class FlightBatch:
    """Hold the results of n flights; (n,) arrays, NaN if it never happened."""

    valid: Flags
    touches_net: Flags
    time_s: Array
    landing_x_m: Array
    landing_y_m: Array
    landing_speed_mps: Array
    net_clearance_m: Array
    apex_m: Array
    spin_after_revps: Array
    speed_after_mps: Array
    own_half_bounces: Array
    first_bounce_x_m: Array
    second_bounce_x_m: Array
    end_line_s: Array
    end_line_z_m: Array

    @property
    def depth_m(self) -> Array:
        """Return how far past the net the balls land."""
        return self.landing_x_m - NET_X_M


def fly_many(
    launches: Launches,
    *,
    air: Air = STILL_AIR,
    ball: Ball = PLAIN_BALL,
    until: Until = "second",
    rough: float = 1.0,
    constants: Constants | None = None,
) -> FlightBatch:
    """Return the flights of n balls; `rough` lengthens the steps for a first look (4: some 0.1 mm off)."""
    n, names = len(launches), [f.name for f in fields(FlightBatch)]
    results = []
    for start in range(0, n, BLOCK):
        block = Block(launches, slice(start, min(start + BLOCK, n)), ball, air, until, rough, constants, names)
        block.fly()
        results.append(block.out)
    if len(results) == 1:
        return FlightBatch(**results[0])
    return FlightBatch(**{name: np.concatenate([out[name] for out in results] or [np.empty(0)]) for name in names})
