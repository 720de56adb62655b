"""What the two wheels of a machine can give a ball: limits at the rim, inertia, the most spin, the nearest ball.

Rule of this file: rim speeds are m/s, launch speeds m/s, spins rev/s; topspin is positive.
"""

import math

from drillfeed.daemon.aim.thrower import rim_limits
from drillfeed.daemon.machine import Machine
from drillfeed.daemon.physics.thrower import (
    Flywheel,
    RimLimit,
    RimLimits,
    Rims,
    max_spin_revps,
    speed_share,
    spin_share,
)
from drillfeed.protocol.texts.catalogue import text


def flywheels(machine: Machine) -> tuple[Flywheel, Flywheel]:
    """Return inertia and radius of the top and the bottom wheel."""
    top, bottom = machine.top, machine.bottom
    return (
        Flywheel(top.inertia_kg_m2, top.diameter_mm / 2000),
        Flywheel(bottom.inertia_kg_m2, bottom.diameter_mm / 2000),
    )


def shares(machine: Machine) -> tuple[float, float]:
    """Return which shares of the no-slip speed and spin a ball leaves with, from the wheels' inertia."""
    inertia = (machine.top.inertia_kg_m2 + machine.bottom.inertia_kg_m2) / 2
    radius_m = (machine.top.diameter_mm + machine.bottom.diameter_mm) / 4000
    return speed_share(inertia, radius_m), spin_share(inertia, radius_m)


def max_spin_at(machine: Machine, speed_mps: float) -> float:
    """Return the most spin in rev/s, either way, that a machine can give at a launch speed."""
    of_speed, of_spin = shares(machine)
    return max_spin_revps(speed_mps / of_speed, rim_limits(machine)) * of_spin


def nearest(machine: Machine, speed_mps: float, spin_revps: float) -> tuple[float, float]:
    """Return the nearest speed and spin that the wheels can give: speed is kept if possible, spin is cut."""
    of_speed, _ = shares(machine)
    limits = rim_limits(machine)
    speed = min(max(speed_mps, limits.min_mps * of_speed), limits.max_mps * of_speed)
    max_spin = math.floor(max_spin_at(machine, speed) * 10) / 10
    return speed, math.copysign(min(abs(spin_revps), max_spin), spin_revps)


def why_not(limit: RimLimit, rims: Rims, limits: RimLimits) -> str:
    """Say which rim speed breaks a limit, with the figures of both."""
    slow, fast = ("bottom", "top") if rims.top_mps >= rims.bottom_mps else ("top", "bottom")
    slow_mps, fast_mps = min(rims.top_mps, rims.bottom_mps), max(rims.top_mps, rims.bottom_mps)
    return {
        "max_rim": text("aim.rim-max", fast=fast, fast_mps=fast_mps, max_mps=limits.max_mps),
        "reverse": text("setting.reverse", slow=slow, slow_mps=slow_mps),
        "grip": (
            text(
                "setting.grip", slow=slow, slow_mps=slow_mps, grip_share=limits.grip_share, fast=fast, fast_mps=fast_mps
            )
        ),
        "min_rim": (text("setting.rim-min", slow=slow, slow_mps=slow_mps, min_mps=limits.min_mps)),
    }[limit]
