"""First look of the solver: a coarse table of throws over speed and tilt, and where the wish lies between them."""

import math
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from drillfeed.daemon.aim.hops import Figures, look_at_many
from drillfeed.daemon.aim.thrower import Span, Thrower, launches_by
from drillfeed.daemon.aim.wish import Wish
from drillfeed.daemon.physics.motion import law_of

Array = NDArray[np.float64]
SPEEDS: Span = (2.0, 25.0)
SPEED_STEPS = 32
NEARLY_M = 0.01  # the error of the first look, generously
TURN_M = 0.01  # a slope of depth, per degree, that is neither up nor down for sure
NUDGE_MPS = 0.05  # between the two rows or columns when speed or tilt is given, for the slope across
NUDGE_DEG = 0.25


@dataclass(frozen=True)
class Start:
    """Hold a throw near a solution: landing on hop 1 (direct) or 2 (serve-wise), and the slopes of depth there."""

    hops: int
    speed_mps: float
    tilt_deg: float
    depth_per_mps: float
    depth_per_degree: float


def starts(thrower: Thrower, wish: Wish, tilts: Span, pan_deg: float) -> list[Start]:
    """Return where to begin, for every arc that lands where it should within a span of tilts."""
    given = wish.speed_mps
    speed_axis = np.linspace(*SPEEDS, SPEED_STEPS) if given is None else np.array([given, given + NUDGE_MPS])
    if wish.tilt_deg is not None:
        tilt_axis = np.array([wish.tilt_deg, wish.tilt_deg + NUDGE_DEG])
    else:
        # Whole degrees whatever the span, so that a wider span finds all that a narrower one does.
        whole = np.arange(math.ceil(tilts[0]), math.floor(tilts[1]) + 1.0)
        tilt_axis = np.unique(np.concatenate([[tilts[0]], whole, [tilts[1]]]))
    speed, tilt = (a.ravel() for a in np.meshgrid(speed_axis, tilt_axis, indexing="ij"))
    launches = launches_by(thrower, speed, wish.spin_revps, tilt, pan_deg, wish.roll_deg)
    arrival = wish.arrival_s is not None
    noting = arrival or wish.clearance_m is not None or wish.apex_m is not None
    serves = wish.arc in (None, "serve-wise")
    law = law_of(thrower.ball, thrower.air)
    looks = look_at_many(launches, law, thrower.ball, arrival, noting, serves=serves)
    shape = (len(speed_axis), len(tilt_axis))
    found = []
    for hops, look in zip((1, 2), looks, strict=True):
        if look is None or (wish.arc is not None and (wish.arc == "serve-wise") != (hops == 2)):
            continue
        depth = look.depth_m.reshape(shape)
        for i, j in _crossings(wish, look, shape):
            s, t = _at(speed_axis, i), _at(tilt_axis, j)
            start = Start(hops, s, t, *_slopes(depth, speed_axis, tilt_axis, i, j))
            # An arc that is plainly the other one need not be followed; near the turn both are.
            if (wish.arc == "low" and start.depth_per_degree < -TURN_M) or (
                wish.arc == "high" and start.depth_per_degree > TURN_M
            ):
                continue
            found.append(start)
    return found


def _slopes(depth: Array, speed_axis: Array, tilt_axis: Array, i: float, j: float) -> tuple[float, float]:
    """Return the slopes of depth per m/s and per degree at a place in the table, from the four entries about it."""
    row, column = min(int(i), len(speed_axis) - 2), min(int(j), len(tilt_axis) - 2)
    a, b = i - row, j - column
    four = depth[row : row + 2, column : column + 2]
    per_mps = ((1.0 - b) * (four[1, 0] - four[0, 0]) + b * (four[1, 1] - four[0, 1])) / np.diff(speed_axis)[row]
    per_degree = ((1.0 - a) * (four[0, 1] - four[0, 0]) + a * (four[1, 1] - four[1, 0])) / np.diff(tilt_axis)[column]
    return float(per_mps), float(per_degree)


def _at(axis: Array, place: float) -> float:
    return float(np.interp(place, np.arange(len(axis)), axis))


def _crossings(wish: Wish, look: Figures, shape: tuple[int, int]) -> Iterator[tuple[float, float]]:
    """Yield places in the table, as fractions of rows and columns, where all asked figures are met."""
    wanted = [(name, number) for name, number in wish.given().items() if name not in ("speed_mps", "tilt_deg")]
    misses = [(_figure(look, name) - number).reshape(shape) for name, number in wanted]
    if not misses:
        yield 0.0, 0.0
    elif len(misses) == 1:
        along = misses[0][0] if wish.speed_mps is not None else misses[0][:, 0]
        for place in _roots(along):
            yield (0.0, place) if wish.speed_mps is not None else (place, 0.0)
    else:
        yield from _meetings(misses[0], misses[1])


def _figure(look: Figures, name: str) -> Array:
    values: Array = getattr(look, name)
    return values


def _roots(miss: Array) -> list[float]:
    """Return where a row of numbers changes sign, or nearly, by the straight line between neighbours."""
    a, b = miss[:-1], miss[1:]
    with np.errstate(invalid="ignore"):
        where = np.flatnonzero((a * b < 0.0) | (a == 0.0))
    found = [float(k + a[k] / (a[k] - b[k])) if a[k] != 0.0 else float(k) for k in where]
    if len(miss) and miss[-1] == 0.0:
        found.append(float(len(miss) - 1))
    return found + _grazes(miss) + _beyond(miss)


def _beyond(miss: Array) -> list[float]:
    """Return zeros in the step before the first and after the last number of a stretch, by the line through two."""
    known = np.isfinite(miss)
    found: list[float] = []
    for k in range(len(miss) - 1):
        a, b = float(miss[k]), float(miss[k + 1])
        if not (known[k] and known[k + 1]) or a == b:
            continue
        zero = a / (a - b)
        ends_after = k + 2 < len(miss) and not known[k + 2]
        begins_before = k > 0 and not known[k - 1]
        if (ends_after and 1.0 < zero < 2.0) or (begins_before and -1.0 < zero < 0.0):
            found.append(k + zero)
    return found


def _grazes(miss: Array) -> list[float]:
    """Return zeros that hide between neighbours of one sign: where a parabola through three dips past zero, or nearly.

    Nearly: where an arc turns from longer to shorter, the farthest ball is the answer to a wish for a trifle more.
    """
    if len(miss) < 3:
        return []
    a, b, c = miss[:-2], miss[1:-1], miss[2:]
    with np.errstate(invalid="ignore"):
        turns = (np.abs(b) <= np.abs(a)) & (np.abs(b) <= np.abs(c)) & (a * b > 0.0) & (b * c > 0.0)
        bend, lean = (a + c) / 2.0 - b, (c - a) / 2.0
        under = lean * lean - 4.0 * bend * b
    found: list[float] = []
    for k in np.flatnonzero(turns & (bend != 0.0)):
        if under[k] <= 0.0:
            turn = -lean[k] / (2.0 * bend[k])
            if abs(b[k] + lean[k] * turn / 2.0) < NEARLY_M:
                # The turn itself, where nothing slopes, and a place to either side of it to come down from.
                found.extend(float(np.clip(k + 1 + turn + aside, 0, len(miss) - 1)) for aside in (-1.0, 0.0, 1.0))
            continue
        size = float(np.sqrt(under[k]))
        pair = [(-lean[k] - size) / (2.0 * bend[k]), (-lean[k] + size) / (2.0 * bend[k])]
        found.extend(float(k + 1 + s) for s in pair if abs(s) <= 1.0)
    return found


def _meetings(first: Array, second: Array) -> Iterator[tuple[float, float]]:
    """Yield where two tables are zero at once: follow the first one's zeros from row to row, by their slope's sign."""
    before: dict[int, tuple[float, float]] = {}
    for row in range(first.shape[0]):
        now: dict[int, tuple[float, float]] = {}
        for place in _roots(first[row]):
            column = min(int(place), first.shape[1] - 2)
            sign = 1 if first[row, column + 1] > first[row, column] else -1
            share = place - column
            here = (1.0 - share) * second[row, column] + share * second[row, column + 1]
            now[sign] = (place, float(here))
        for sign, (place, here) in now.items():
            if sign in before and before[sign][1] * here <= 0.0 and before[sign][1] != here:
                old_place, old = before[sign]
                share = old / (old - here)
                yield row - 1 + share, old_place + share * (place - old_place)
        before = now
