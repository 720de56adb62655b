"""A second way from wheel speeds to a landing, for checks: momentum by hand, and scipy's eighth-order integrator.

Rule of this file: nothing of the daemon's physics is used but the size of the table and the profile's own figures.
"""

import math
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.integrate import solve_ivp

from drillfeed.daemon.machine import Machine
from drillfeed.daemon.planning.setting import Setting

RADIUS_M, MASS_KG, RHO, GRAVITY = 0.020, 0.0027, 1.204, 9.80665
AREA_M2 = math.pi * RADIUS_M**2
NET_X_M, NET_TOP_M, TABLE_M = 1.37, 0.1525, 2.74
DRAG, LIFT_SLOPE, LIFT_CAP = 0.55, 0.75, 0.26
FRICTION = 0.25
Array = NDArray[np.float64]


@dataclass(frozen=True)
class Landed:
    """Hold where a ball came down past the net, its height over the tape, its highest point, and what reaches the bat.

    `clearance_m` is of the ball's underside, `apex_m` of its centre; `own_half` counts bounces before the net.
    """

    depth_m: float
    clearance_m: float
    apex_m: float
    spin_after_revps: float
    own_half: int


def thrown(machine: Machine, setting: Setting) -> tuple[float, float]:
    """Return speed (m/s) and spin (rev/s) that the wheels give, from momentum and angular momentum of equal wheels."""
    inertia = (machine.top.inertia_kg_m2 + machine.bottom.inertia_kg_m2) / 2
    radius_m = (machine.top.diameter_mm + machine.bottom.diameter_mm) / 4000
    load = MASS_KG * radius_m**2 / inertia
    rims = [math.pi * w.diameter_mm / 1000 * rpm / 60 for w, rpm in _wheels(machine, setting)]
    speed = (rims[0] + rims[1]) / 2 / (1 + load / 2)
    return speed, (rims[0] - rims[1]) / (4 * math.pi * RADIUS_M) / (1 + load / 3)


def _wheels(machine: Machine, setting: Setting) -> tuple[tuple[Any, float], tuple[Any, float]]:
    return (machine.top, setting.top_rpm), (machine.bottom, setting.bottom_rpm)


def slope(_: float, state: Array, omega: float) -> Array:
    """Return the time derivative of x, z and their speeds; topspin turns about the axis across the path."""
    _, _, vx, vz = state
    speed = math.hypot(vx, vz)
    drag = 0.5 * RHO * AREA_M2 * DRAG * speed / MASS_KG
    ratio = min(LIFT_SLOPE * RADIUS_M * abs(omega) / speed, LIFT_CAP)
    lift = math.copysign(0.5 * RHO * AREA_M2 * ratio * speed / MASS_KG, omega)
    # omega x v, with omega along +y: (w vz, -w vx).
    return np.array([vx, vz, -drag * vx + lift * vz, -drag * vz - lift * vx - GRAVITY])


def landed(machine: Machine, setting: Setting) -> Landed:
    """Fly what a setting throws, without sidespin, to its first touch past the net; raise AssertionError if none."""
    speed, spin = thrown(machine, setting)
    omega, tilt = 2 * math.pi * spin, math.radians(setting.tilt_deg)
    opening = machine.opening
    height_m = opening.height_m + opening.pivot_to_opening_m * math.sin(tilt)
    back_m = opening.behind_end_line_m + opening.pivot_to_opening_m * (1 - math.cos(tilt))
    state = np.array([-back_m, height_m, speed * math.cos(tilt), speed * math.sin(tilt)])
    apex_m = height_m
    for own_half in range(3):
        state, top_m, over_net_m = _hop(state, omega)
        apex_m = max(apex_m, top_m)
        if state[0] > NET_X_M:
            clearance_m = over_net_m - RADIUS_M - NET_TOP_M
            _, after = _bounced(state, omega)
            return Landed(float(state[0]) - NET_X_M, clearance_m, apex_m, after / (2 * math.pi), own_half)
        state, omega = _bounced(state, omega)
    raise AssertionError("the ball never gets past the net")


def _hop(state: Array, omega: float) -> tuple[Array, float, float]:
    """Return the state at the next touch of the table's plane, the highest point, and the height above the net."""

    def level(_: float, s: Array, __: float) -> float:
        return float(s[1] - RADIUS_M)

    def net(_: float, s: Array, __: float) -> float:
        return float(s[0] - NET_X_M)

    def top(_: float, s: Array, __: float) -> float:
        return float(s[3])

    level.terminal, level.direction = True, -1  # type: ignore[attr-defined]
    found = solve_ivp(slope, (0, 5), state, "DOP853", events=(level, net, top), args=(omega,), rtol=1e-9, atol=1e-10)
    tops = [float(s[1]) for s in found.y_events[2]]
    nets = [float(s[1]) for s in found.y_events[1]]
    return found.y_events[0][0], max(tops, default=float(state[1])), nets[0] if nets else math.nan


def _bounced(state: Array, omega: float) -> tuple[Array, float]:
    """Return state and spin after a touch: e = 0.98 - 0.02 |v| within 0.75 to 0.94, friction 0.25, thin shell."""
    x, z, vx, vz = (float(value) for value in state)
    e = min(max(0.98 - 0.02 * abs(vz), 0.75), 0.94)
    slip = vx - RADIUS_M * omega
    a = min(0.4, FRICTION * (1 + e) * abs(vz) / abs(slip)) if slip else 0.0
    return np.array([x, z, vx - a * slip, -e * vz]), omega + 1.5 * a * slip / RADIUS_M
