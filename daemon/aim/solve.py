"""Aim: from the ball a player wants to wheels and tilt, every arc of it, or the limit that stops it.

    aim(thrower, wish) -> tuple[Solution, ...]      best first; raises NoSolution

First look over a coarse table of throws (`search`), Newton's rule on single balls to a hundredth of a millimetre, then
the whole flight with net and edges decides whether the ball is legal. Answers are kept per thrower and wish.
"""

import math
from collections.abc import Callable
from dataclasses import replace
from functools import lru_cache

import numpy as np

from drillfeed.daemon.aim.hops import Figures, figures
from drillfeed.daemon.aim.search import Start, starts
from drillfeed.daemon.aim.thrower import (
    NO_RIM_LIMITS,
    TILT_SLACK_DEG,
    WIDE_PAN,
    WIDE_TILT,
    Array,
    Span,
    Thrower,
    broken,
    launch_by,
    rims_to_tell,
    rpm_of,
)
from drillfeed.daemon.aim.wish import Arc, Solution, Wish
from drillfeed.daemon.physics.flight import fly
from drillfeed.daemon.physics.motion import Law, law_of
from drillfeed.daemon.physics.table import NET_X_M

CLOSE = 1e-5  # metres or seconds left over where a solution is taken
CLOSE_ENOUGH = 5e-4  # the same where an arc turns from longer to shorter and there is no slope to follow
MOST_TURNS = 8
LEAST_CLEARANCE_M = 0.05  # a ball that passes nearer to the tape ranks behind: a default of ours
NUDGES = {"speed_mps": 1e-3, "tilt_deg": 1e-2, "pan_deg": 1e-2}
Setting = dict[str, float]


@lru_cache(maxsize=4096)
def aim(thrower: Thrower, wish: Wish) -> tuple[Solution, ...]:
    """Return every way the machine can throw the ball asked for, best first; raise NoSolution.

    Those that clear the net by 5 cm come first; among them those whose landing a usual error moves least.
    """
    found = solutions(thrower, wish)
    if not found:
        from drillfeed.daemon.aim.refusal import refusal

        raise refusal(thrower, wish)
    return found


def solutions(thrower: Thrower, wish: Wish) -> tuple[Solution, ...]:
    """Return every legal ball that meets the wish within the machine's limits, best first; perhaps none."""
    found = [s for s in candidates(thrower, wish) if is_legal(s) and not _breaks(thrower, s)]
    return tuple(sorted(found, key=_rank))


def unlimited(thrower: Thrower) -> Thrower:
    """Return the machine with every limit lifted that could stop a ball; a head that cannot roll stays as it is."""
    return replace(thrower, limits=NO_RIM_LIMITS, tilt_deg=WIDE_TILT, pan_deg=WIDE_PAN, roll_deg=(-180.0, 180.0))


def candidates(thrower: Thrower, wish: Wish) -> list[Solution]:
    """Return every throw in the span of tilts that meets the wish on an endless table, legal or not."""
    law = law_of(thrower.ball, thrower.air)
    pan_deg = _first_pan(thrower, wish)
    # A degree past either end, so that a ball that needs the very end is not lost between two entries of the table.
    span = (thrower.tilt_deg[0] - 1.0, thrower.tilt_deg[1] + 1.0)
    if wish.tilt_deg is not None:
        span = (wish.tilt_deg, wish.tilt_deg)
    found: list[Solution] = []
    for start in starts(thrower, wish, span, pan_deg):
        solved = _polish(thrower, wish, law, start, pan_deg)
        if solved is None:
            continue
        solution = _solution(thrower, wish, start, *solved)
        if solution.arc == (wish.arc or solution.arc) and not _twice(found, solution):
            found.append(solution)
    return found


def is_legal(s: Solution) -> bool:
    """Tell whether the whole flight, net and edges looked at, is a legal ball on the arc it was solved for."""
    return s.flight.valid and s.flight.serve_wise == (s.arc == "serve-wise")


def _breaks(thrower: Thrower, s: Solution) -> bool:
    return bool(broken(thrower, s.speed_mps, s.spin_revps, s.tilt_deg, s.pan_deg, s.roll_deg))


def _rank(s: Solution) -> tuple[bool, float]:
    return (s.flight.net_clearance_m or 0.0) < LEAST_CLEARANCE_M, s.error_m()


def _twice(found: list[Solution], new: Solution) -> bool:
    return any(
        abs(s.tilt_deg - new.tilt_deg) < 1e-4 and abs(s.speed_mps - new.speed_mps) < 1e-5 and s.arc == new.arc
        for s in found
    )


def _first_pan(thrower: Thrower, wish: Wish) -> float:
    """Return the pan that points straight at the place asked for: Newton's rule puts it right."""
    if wish.placement_m is None:
        return 0.0
    way_m = thrower.back_m + NET_X_M + (wish.depth_m if wish.depth_m is not None else 1.0)
    return math.degrees(math.atan2(wish.placement_m - thrower.sideways_m, way_m)) - thrower.yaw_deg


def _polish(
    thrower: Thrower, wish: Wish, law: Law, start: Start, pan_deg: float
) -> tuple[Setting, dict[str, Figures]] | None:
    """Return the setting that meets the wish, by Newton's rule with slopes taken once, and the nudged figures."""
    setting: Setting = {"speed_mps": start.speed_mps, "tilt_deg": start.tilt_deg, "pan_deg": pan_deg}
    targets = {name: number for name, number in wish.given().items() if name not in setting}
    unknown = [name for name in ("speed_mps", "tilt_deg") if getattr(wish, name) is None]
    goal: dict[str, float] = dict(targets)
    if wish.placement_m is not None:
        unknown.append("pan_deg")
        goal["landing_y_m"] = wish.placement_m
    arrival = "arrival_s" in goal

    def look(at: Setting) -> Figures:
        launch = launch_by(thrower, at["speed_mps"], wish.spin_revps, at["tilt_deg"], at["pan_deg"], wish.roll_deg)
        return figures(launch, law, thrower.ball, start.hops, arrival)

    base = look(setting)
    if not unknown:
        return setting, {}
    miss = _miss(base, goal)
    nudged = {name: look({**setting, name: setting[name] + NUDGES[name]}) for name in unknown}
    slopes = np.array([(_miss(nudged[name], goal) - miss) / NUDGES[name] for name in unknown]).T
    found = _newton(lambda at: _miss(look(at), goal), setting, unknown, miss, slopes)
    return None if found is None else (found, {**nudged, "base": base})


def _newton(
    look: Callable[[Setting], Array], setting: Setting, unknown: list[str], miss: Array, slopes: Array
) -> Setting | None:
    """Return the setting with nothing missed; where that fails, the best one seen if it is within half a millimetre."""
    best, least = setting, math.inf
    for _ in range(MOST_TURNS):
        if not np.all(np.isfinite(miss)) or not np.all(np.isfinite(slopes)):
            break
        left = float(np.abs(miss).max())
        if left < least:
            best, least = setting, left
        if left < CLOSE:
            break
        try:
            move = -np.linalg.solve(slopes, miss)
        except np.linalg.LinAlgError:
            break
        setting = {**setting, **{n: setting[n] + float(m) for n, m in zip(unknown, move, strict=True)}}
        if not 0.5 <= setting["speed_mps"] <= 40.0 or abs(setting["tilt_deg"]) > 89.0:
            break
        after = look(setting)
        # Broyden 1965, the good update: the slopes learn from the step just made.
        slopes = slopes + np.outer(after - miss - slopes @ move, move) / float(move @ move)
        miss = after
    return best if least < CLOSE_ENOUGH else None


def _miss(found: Figures, goal: dict[str, float]) -> Array:
    return np.array([getattr(found, name) - number for name, number in goal.items()])


def _solution(thrower: Thrower, wish: Wish, start: Start, setting: Setting, nudged: dict[str, Figures]) -> Solution:
    speed, tilt, pan = setting["speed_mps"], _at_the_end(setting["tilt_deg"], thrower.tilt_deg), setting["pan_deg"]
    rims = rims_to_tell(thrower, speed, wish.spin_revps)
    top_rpm, bottom_rpm = rpm_of(thrower, rims)
    slope = {"speed_mps": start.depth_per_mps, "tilt_deg": start.depth_per_degree}
    for name in slope:
        if name in nudged:
            slope[name] = (nudged[name].depth_m - nudged["base"].depth_m) / NUDGES[name]
    launch = launch_by(thrower, speed, wish.spin_revps, tilt, pan, wish.roll_deg)
    return Solution(
        arc=_arc(start.hops, slope["tilt_deg"]),
        speed_mps=speed,
        spin_revps=wish.spin_revps,
        tilt_deg=tilt,
        pan_deg=pan,
        roll_deg=wish.roll_deg,
        rims=rims,
        top_rpm=top_rpm,
        bottom_rpm=bottom_rpm,
        flight=fly(launch, air=thrower.air, ball=thrower.ball),
        depth_per_degree_m=slope["tilt_deg"],
        depth_per_percent_m=slope["speed_mps"] * speed / 100.0,
    )


def _at_the_end(tilt_deg: float, span: Span) -> float:
    """Return a tilt, moved onto the end of the range where it lies a trifle past it."""
    inside = min(max(tilt_deg, span[0]), span[1])
    return inside if abs(inside - tilt_deg) <= TILT_SLACK_DEG else tilt_deg


def _arc(hops: int, depth_per_degree: float) -> Arc:
    """Name an arc: with the low one more tilt throws farther, with the high one nearer."""
    if hops == 2:
        return "serve-wise"
    return "low" if depth_per_degree > 0.0 else "high"
