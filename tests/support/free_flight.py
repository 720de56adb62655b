"""One ball in free flight, step by step as the solver flies it, to hold against closed forms."""

import math
from typing import Any

from drillfeed.daemon.physics.motion import Coefficients, advance, fade, is_slanted, slant_share, step_for


def free_flight(p: Any, v: Any, w: Any, time_s: float, law: Coefficients) -> tuple[Any, Any]:
    """Return position and velocity of one ball after a time of free flight, without table, net or floor."""
    size = math.sqrt(w[0] * w[0] + w[1] * w[1] + w[2] * w[2])
    speed = math.sqrt(v[0] * v[0] + v[1] * v[1] + v[2] * v[2])
    longest = step_for(speed)
    while time_s > 0.0:
        h = longest * slant_share(v, w, size, min, max) if is_slanted(v, w, size, law) else longest
        h = min(h, time_s)
        p, v = advance(p, v, w, size, h, law, min)
        left = float(fade(h, law))
        w, size = (w[0] * left, w[1] * left, w[2] * left), size * left
        time_s -= h
    return p, v
