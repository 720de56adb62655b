"""What a machine can aim: for each speed and spin, whether a ball can be landed, and on which arcs."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from drillfeed.daemon.aim.request import AimRequest
from drillfeed.daemon.aim.solve import solutions
from drillfeed.daemon.aim.thrower import Thrower, broken
from drillfeed.daemon.physics.thrower import max_spin_revps


@dataclass(frozen=True)
class Envelope:
    """Hold speeds (n,), spins (m,), and the arcs that land at a depth (m rows of n): "" or their first letters.

    `border_revps` (n,) is the highest spin in either direction that the wheels give at each speed.
    """

    speeds_mps: NDArray[np.float64]
    spins_revps: NDArray[np.float64]
    arcs: list[list[str]]
    border_revps: NDArray[np.float64]
    depth_m: float


def envelope(thrower: Thrower, depth_m: float, columns: int = 16, rows: int = 17) -> Envelope:
    """Return what a machine can land at a depth past the net, over its speeds and spins."""
    top_mps = min(thrower.limits.max_mps * thrower.speed_share, 20.0)
    speeds = np.linspace(3.0, top_mps, columns)
    border = np.array([_border(thrower, float(v)) for v in speeds])
    spins = np.linspace(-float(border.max()), float(border.max()), rows)
    arcs = [[_arcs(thrower, float(v), float(w), depth_m) for v in speeds] for w in spins]
    return Envelope(speeds, spins, arcs, border, depth_m)


def _border(thrower: Thrower, speed_mps: float) -> float:
    max_revps = max_spin_revps(speed_mps / thrower.speed_share, thrower.limits, thrower.ball)
    return max_revps * thrower.spin_share


def _arcs(thrower: Thrower, speed_mps: float, spin_revps: float, depth_m: float) -> str:
    if broken(thrower, speed_mps, spin_revps, thrower.tilt_deg[0]):
        return ""
    found = solutions(thrower, AimRequest(spin_revps, speed_mps=speed_mps, depth_m=depth_m))
    return "".join(sorted({s.arc[0] for s in found}))
