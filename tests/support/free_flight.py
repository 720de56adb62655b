"""Free flight for a given time, without table, net or floor, by the shipped steps."""

from typing import Any

from drillfeed.daemon.physics.motion import Coefficients
from drillfeed.daemon.physics.numbers import FLOATS
from drillfeed.daemon.physics.stepper import fade, spin_of, take_step


def free_flight(p: Any, v: Any, w: Any, time_s: float, law: Coefficients) -> tuple[Any, Any]:
    """Return position and velocity of one ball after a time of free flight."""
    spin = spin_of(v, w, law)
    while time_s > 0.0:
        step = take_step(p, v, spin, law, FLOATS, max_s=time_s)
        share = min(step.corner, 1.0)
        p, v = (step.place, step.velocity) if share == 1.0 else step.at(share)
        if step.corner <= 1.0:
            spin = spin._replace(capped=1.0 - spin.capped)
        spin = spin._replace(size=spin.size * fade(share * step.time_s, law))
        time_s -= share * step.time_s
    return p, v
