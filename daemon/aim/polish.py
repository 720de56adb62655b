"""Second step of the solver: from a start near a solution to a hundredth of a millimetre, with single balls."""

from collections.abc import Callable

import numpy as np

from drillfeed.daemon.aim.hops import Figures, figures
from drillfeed.daemon.aim.request import AimRequest
from drillfeed.daemon.aim.search import Start
from drillfeed.daemon.aim.thrower import Array, Thrower, launch_by
from drillfeed.daemon.physics.motion import coefficients_of

Setting = dict[str, float]
CLOSE = 1e-5  # metres or seconds: a solution may miss by this
CLOSE_ENOUGH = 5e-4  # the same where an arc turns from longer to shorter, so that there is no slope to follow
MAX_TURNS = 8
MAX_DAMPED_TURNS = 20
NUDGES = {"speed_mps": 1e-3, "tilt_deg": 1e-2, "pan_deg": 1e-2}
REACH = {"speed_mps": 0.3, "tilt_deg": 2.0, "pan_deg": 2.0}  # the longest damped step
Look = Callable[[Setting], Array]


def polished(thrower: Thrower, request: AimRequest, start: Start) -> Setting | None:
    """Return the setting near a start that meets the request, None if there is none."""
    setting: Setting = {"speed_mps": start.speed_mps, "tilt_deg": start.tilt_deg, "pan_deg": start.pan_deg}
    goal = {name: number for name, number in request.given().items() if name not in setting}
    unknown = [name for name in ("speed_mps", "tilt_deg") if getattr(request, name) is None]
    if request.placement_m is not None:
        unknown.append("pan_deg")
        goal["landing_y_m"] = request.placement_m
    if not unknown:
        return setting
    law, arrival = coefficients_of(thrower.ball, thrower.air), "arrival_s" in goal

    def look(at: Setting) -> Array:
        launch = launch_by(
            thrower, at["speed_mps"], request.spin_revps, at["tilt_deg"], at["pan_deg"], request.roll_deg
        )
        return _miss(figures(launch, law, thrower.ball, start.hops, arrival), goal)

    found, min_miss = _newton(look, setting, unknown)
    if min_miss >= CLOSE:
        # Near a turn, slopes taken only once point the wrong way; damped steps take them anew each time.
        found, min_miss = min([(found, min_miss), _damped(look, setting, unknown)], key=lambda pair: pair[1])
    return found if min_miss < CLOSE_ENOUGH else None


def _miss(found: Figures, goal: Setting) -> Array:
    return np.array([getattr(found, name) - number for name, number in goal.items()])


def _moved(setting: Setting, unknown: list[str], move: Array) -> Setting:
    return {**setting, **{name: setting[name] + float(by) for name, by in zip(unknown, move, strict=True)}}


def _is_sane(setting: Setting) -> bool:
    return 0.5 <= setting["speed_mps"] <= 40.0 and abs(setting["tilt_deg"]) <= 89.0


def _slopes(look: Look, setting: Setting, unknown: list[str], miss: Array) -> Array:
    """Return the slopes of the misses, (figures, unknowns), taken backwards if a figure ends just ahead."""
    columns = []
    for name in unknown:
        column = (look({**setting, name: setting[name] + NUDGES[name]}) - miss) / NUDGES[name]
        if not np.all(np.isfinite(column)):
            column = (miss - look({**setting, name: setting[name] - NUDGES[name]})) / NUDGES[name]
        columns.append(column)
    return np.array(columns).T


def _newton(look: Look, setting: Setting, unknown: list[str]) -> tuple[Setting, float]:
    """Return the best setting found by Newton's rule with slopes taken once, and its miss."""
    miss = look(setting)
    slopes = _slopes(look, setting, unknown, miss)
    best, min_miss = setting, np.inf
    for _ in range(MAX_TURNS):
        if not np.all(np.isfinite(miss)) or not np.all(np.isfinite(slopes)):
            break
        left = float(np.abs(miss).max())
        if left < min_miss:
            best, min_miss = setting, left
        if left < CLOSE:
            break
        try:
            move = np.asarray(-np.linalg.solve(slopes, miss), dtype=np.float64)
        except np.linalg.LinAlgError:
            break
        setting = _moved(setting, unknown, move)
        if not _is_sane(setting):
            break
        after = look(setting)
        # Broyden 1965, the good update: the step just made corrects the slopes.
        slopes = slopes + np.outer(after - miss - slopes @ move, move) / float(move @ move)
        miss = after
    return best, min_miss


def _damped(look: Look, setting: Setting, unknown: list[str]) -> tuple[Setting, float]:
    """Return the best setting by damped least squares with new slopes each step (Marquardt 1963), and its miss."""
    reach, damping = np.array([REACH[name] for name in unknown]), 1e-3
    miss = look(setting)
    slopes = _slopes(look, setting, unknown, miss) * reach
    for _ in range(MAX_DAMPED_TURNS):
        if not np.all(np.isfinite(miss)) or not np.all(np.isfinite(slopes)) or float(np.abs(miss).max()) < CLOSE:
            break
        square = slopes.T @ slopes
        move = -np.linalg.solve(square + damping * (1e-6 + np.trace(square)) * np.eye(len(unknown)), slopes.T @ miss)
        trial = _moved(setting, unknown, reach * move / max(1.0, float(np.abs(move).max())))
        after = look(trial) if _is_sane(trial) else np.full(len(miss), np.nan)
        if float(after @ after) < float(miss @ miss):
            setting, miss, damping = trial, after, damping / 10.0
            slopes = _slopes(look, setting, unknown, miss) * reach
        elif damping > 1e4:
            break
        else:
            damping *= 10.0
    return setting, float(np.abs(miss).max()) if np.all(np.isfinite(miss)) else np.inf
