"""Every legal ball that meets a request: `solutions`, best first.

A coarse table of throws comes first (`search`), then single balls to a hundredth of a millimetre (`polish`). The whole
flight, with net and edges, decides whether a ball is legal.
"""

import math
from dataclasses import replace

from drillfeed.daemon.aim.hops import figures
from drillfeed.daemon.aim.polish import NUDGES, Setting, polished
from drillfeed.daemon.aim.request import AimRequest, Arc, Solution
from drillfeed.daemon.aim.search import starts
from drillfeed.daemon.aim.thrower import (
    NO_RIM_LIMITS,
    TILT_SLACK_DEG,
    WIDE_PAN,
    WIDE_TILT,
    Limit,
    Span,
    Thrower,
    broken,
    launch_by,
    rims_to_tell,
    rpm_of,
)
from drillfeed.daemon.physics.flight import fly
from drillfeed.daemon.physics.motion import Coefficients, coefficients_of
from drillfeed.daemon.physics.table import NET_X_M

MIN_CLEARANCE_M = 0.05  # a ball that passes nearer to the tape ranks lower: a default of ours
SAME_MPS, SAME_DEG = 1e-3, 1e-2  # two solutions nearer than this count as the same


def solutions(thrower: Thrower, request: AimRequest) -> tuple[Solution, ...]:
    """Return every legal ball that meets the request within the machine's limits, best first; perhaps none."""
    found = [s for s in candidates(thrower, request, legal=True) if not breaks(thrower, s)]
    return tuple(sorted(found, key=_rank))


def unlimited(thrower: Thrower) -> Thrower:
    """Return the machine without the limits that could stop a ball."""
    return replace(thrower, limits=NO_RIM_LIMITS, tilt_deg=WIDE_TILT, pan_deg=WIDE_PAN, roll_deg=(-180.0, 180.0))


def candidates(thrower: Thrower, request: AimRequest, legal: bool = False) -> list[Solution]:
    """Return every throw in the span of tilts that meets the request on an endless table; with `legal` those only."""
    law = coefficients_of(thrower.ball, thrower.air)
    pan_deg = _first_pan(thrower, request)
    # A degree beyond both ends, so that a ball at the very end is not lost between two entries of the table.
    span = (thrower.tilt_deg[0] - 1.0, thrower.tilt_deg[1] + 1.0)
    if request.tilt_deg is not None:
        span = (request.tilt_deg, request.tilt_deg)
    found: list[Solution] = []
    for start in starts(thrower, request, span, pan_deg):
        setting = polished(thrower, request, start)
        if setting is None or _twice(found, start.hops, setting):
            continue
        solution = _solution(thrower, request, law, start.hops, setting, legal)
        if solution is not None:
            found.append(solution)
    return found


def is_legal(s: Solution) -> bool:
    """Tell whether the whole flight, with net and edges, is a legal ball on the arc it was solved for."""
    return s.flight.valid and s.flight.serve_wise == (s.arc == "serve-wise")


def breaks(thrower: Thrower, s: Solution) -> tuple[Limit, ...]:
    """Return every limit of the machine that a solution breaks."""
    return broken(thrower, s.speed_mps, s.spin_revps, s.tilt_deg, s.pan_deg, s.roll_deg)


def _rank(s: Solution) -> tuple[bool, float]:
    return (s.flight.net_clearance_m or 0.0) < MIN_CLEARANCE_M, s.error_m()


def _twice(found: list[Solution], hops: int, setting: Setting) -> bool:
    return any(
        abs(s.tilt_deg - setting["tilt_deg"]) < SAME_DEG
        and abs(s.speed_mps - setting["speed_mps"]) < SAME_MPS
        and (s.arc == "serve-wise") == (hops == 2)
        for s in found
    )


def _first_pan(thrower: Thrower, request: AimRequest) -> float:
    """Return the pan that points straight at the place asked for; Newton's rule corrects it later."""
    if request.placement_m is None:
        return 0.0
    way_m = thrower.back_m + NET_X_M + (request.depth_m if request.depth_m is not None else 1.0)
    return math.degrees(math.atan2(request.placement_m - thrower.sideways_m, way_m)) - thrower.yaw_deg


def _solution(
    thrower: Thrower, request: AimRequest, law: Coefficients, hops: int, setting: Setting, legal: bool
) -> Solution | None:
    """Return a setting as a solution, None if it is on a different arc than asked for, or not legal if it must be."""
    speed, tilt, pan = setting["speed_mps"], _at_the_end(setting["tilt_deg"], thrower.tilt_deg), setting["pan_deg"]

    def depth_m(speed_mps: float, tilt_deg: float) -> float:
        launch = launch_by(thrower, speed_mps, request.spin_revps, tilt_deg, pan, request.roll_deg)
        return float(figures(launch, law, thrower.ball, hops, arrival=False).depth_m)

    launch = launch_by(thrower, speed, request.spin_revps, tilt, pan, request.roll_deg)
    flight = fly(launch, air=thrower.air, ball=thrower.ball)
    lands = flight.valid and flight.serve_wise == (hops == 2)
    if legal and not lands:
        return None
    here = flight.depth_m if lands and flight.depth_m is not None else depth_m(speed, tilt)
    per_degree = (depth_m(speed, tilt + NUDGES["tilt_deg"]) - here) / NUDGES["tilt_deg"]
    arc = _arc(hops, per_degree)
    if arc != (request.arc or arc):
        return None
    per_mps = (depth_m(speed + NUDGES["speed_mps"], tilt) - here) / NUDGES["speed_mps"]
    rims = rims_to_tell(thrower, speed, request.spin_revps)
    top_rpm, bottom_rpm = rpm_of(thrower, rims)
    return Solution(
        arc=arc,
        speed_mps=speed,
        spin_revps=request.spin_revps,
        tilt_deg=tilt,
        pan_deg=pan,
        roll_deg=request.roll_deg,
        rims=rims,
        top_rpm=top_rpm,
        bottom_rpm=bottom_rpm,
        flight=flight,
        depth_per_degree_m=per_degree,
        depth_per_percent_m=per_mps * speed / 100.0,
    )


def _at_the_end(tilt_deg: float, span: Span) -> float:
    """Return a tilt, moved to the end of the range if it is less than the slack beyond it."""
    inside = min(max(tilt_deg, span[0]), span[1])
    return inside if abs(inside - tilt_deg) <= TILT_SLACK_DEG else tilt_deg


def _arc(hops: int, depth_per_degree: float) -> Arc:
    """Return the arc's name: on the low arc more tilt throws farther, on the high arc nearer."""
    if hops == 2:
        return "serve-wise"
    return "low" if depth_per_degree > 0.0 else "high"
