"""First look of the solver: a coarse table of throws over speed and tilt, and each place that may meet the request.

A cell of the table is kept if each figure asked for lies between its corners, or so near that the figure's curvature
inside the cell could reach it. With one free figure, the place inside is the zero of a straight line. With two, damped
least squares (Marquardt 1963) lead from each cell to the solution in it, for all cells at once.
"""

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from drillfeed.daemon.aim.request import AimRequest
from drillfeed.daemon.aim.sight import Sight
from drillfeed.daemon.aim.thrower import Array, Span, Thrower

Flags = NDArray[np.bool_]
SPEEDS_MPS: Span = (2.0, 30.0)
SPEED_RATIO = 1.06  # from one speed of the table to the next: distance grows with the square of speed
TILT_STEPS_DEG = (1.0, 2.0)  # if speed is given; if both are free
END_CUTS = 16
NEARLY_M = 0.01  # metres or seconds: a generous bound for the error of the first look
BENDS = 0.5  # of the second differences: how far a figure may pass its corners inside a cell; 1/8 for a parabola
CELL = np.array([0.3, 2.0])  # m/s and degrees: a usual cell, the unit of a move
FARTHEST_CELLS = 2.5  # a descent that goes farther from its cell belongs to another cell
MAX_DESCENTS = 10
SAME_CELLS = 0.005
TURN_CELLS = 0.3
MET_M = 1e-4
NUDGES = np.array([1e-3, 1e-2])
MAX_STARTS = 40


@dataclass(frozen=True)
class Start:
    """Hold a throw near a solution, landing on hop 1 (direct) or 2 (serve-wise)."""

    hops: int
    speed_mps: float
    tilt_deg: float
    pan_deg: float


def starts(thrower: Thrower, request: AimRequest, tilts: Span, pan_deg: float) -> list[Start]:
    """Return a start for every arc that may meet the request within a span of tilts."""
    sight = Sight(thrower, request, pan_deg)
    speeds, angles = _speeds(thrower, request), _tilts(request, tilts)
    found: list[Start] = []
    for hops in _hops(request):
        if not sight.goal:
            found.append(Start(hops, float(speeds[0]), float(angles[0]), pan_deg))
        elif 1 in (len(speeds), len(angles)):
            found += _started(sight, _in_a_row(sight, speeds, angles, hops), hops)
        else:
            found += _started(sight, _in_a_table(sight, speeds, angles, hops), hops)
    return found


def _in_a_table(sight: Sight, speeds: Array, tilts: Array, hops: int) -> Array:
    """Return places near the meetings of two figures, (n, 2) speeds and tilts."""
    speed, tilt = (a.ravel() for a in np.meshgrid(speeds, tilts, indexing="ij"))
    misses = _misses(sight, np.array([speed, tilt]).T, hops)
    tables = [miss.reshape(len(speeds), len(tilts)) for miss in misses.T]
    rows, columns = np.nonzero(np.logical_and.reduce([_may_be_zero(table) for table in tables]))
    return _descend(sight, np.array([_middles(speeds)[rows], _middles(tilts)[columns]]).T, hops)


def _in_a_row(sight: Sight, speeds: Array, tilts: Array, hops: int) -> Array:
    """Return places near the zeros of one figure along a row of speeds or of tilts, (n, 2) speeds and tilts."""
    at = np.array(np.broadcast_arrays(speeds, tilts)).T
    miss = _misses(sight, at, hops)[:, 0]
    # A figure may be steepest where it ends: that cell is cut finer, for a zero within it.
    ends = np.flatnonzero(np.isfinite(miss[:-1]) != np.isfinite(miss[1:]))
    if len(ends):
        shares = np.arange(1.0, END_CUTS) / END_CUTS
        between = (at[ends, None] + shares[None, :, None] * (at[ends + 1] - at[ends])[:, None]).reshape(-1, 2)
        at = np.concatenate([at, between])
        miss = np.concatenate([miss, _misses(sight, between, hops)[:, 0]])
        order = np.lexsort(at.T)
        at, miss = at[order], miss[order]
    cells = np.flatnonzero(_may_be_zero(miss[None, :]))
    places, steps = _along(miss, cells), np.arange(len(at))
    return np.array([np.interp(places, steps, column) for column in at.T]).T


def _started(sight: Sight, at: Array, hops: int) -> list[Start]:
    if not len(at):
        return []
    pans = np.full(len(at), sight.pan_deg)
    if sight.request.placement_m is not None:
        pans = sight.look(at[:, 0], at[:, 1], hops)[1]
    return [Start(hops, float(v), float(t), float(p)) for (v, t), p in zip(at, pans, strict=True)]


def _middles(axis: Array) -> Array:
    return (axis[:-1] + axis[1:]) / 2.0


def _hops(request: AimRequest) -> tuple[int, ...]:
    return {"serve-wise": (2,), "low": (1,), "high": (1,), None: (1, 2)}[request.arc]


def _speeds(thrower: Thrower, request: AimRequest) -> Array:
    """Return the speeds of the table: the same for every machine, up to the limit of its wheels."""
    if request.speed_mps is not None:
        return np.array([request.speed_mps])
    slow, fast = SPEEDS_MPS
    count = math.ceil(math.log(fast / slow) / math.log(SPEED_RATIO))
    axis = slow * SPEED_RATIO ** np.arange(count + 1.0)
    felt_mps = max(line.felt_mps(thrower.limits.max_mps) for line in (thrower.top_line, thrower.bottom_line))
    return axis[: np.searchsorted(axis, felt_mps * thrower.speed_share) + 2]


def _tilts(request: AimRequest, tilts: Span) -> Array:
    """Return the tilts of the table, at whole steps, so that a wider span finds everything a narrower one does."""
    if request.tilt_deg is not None:
        return np.array([request.tilt_deg])
    step = TILT_STEPS_DEG[request.speed_mps is None]
    low, high = math.floor(tilts[0] / step), math.ceil(tilts[1] / step)
    return step * np.arange(low, high + 1.0)


def _corners(table: Array) -> Array:
    """Return the corners of every cell, (2 or 4, cells...); with one row or column a cell has two corners."""
    for axis in (0, 1):
        if table.shape[axis] == 1:
            line = table.ravel()
            two = np.array([line[:-1], line[1:]])
            return two[:, None, :] if axis == 0 else two[:, :, None]
    return np.array([table[:-1, :-1], table[1:, :-1], table[:-1, 1:], table[1:, 1:]])


def _may_be_zero(miss: Array) -> Flags:
    """Tell for each cell whether a figure may be met in it, allowing for curvature and for figures that end there."""
    corners = _corners(miss)
    known = np.isfinite(corners)
    low = np.where(known, corners, np.inf).min(axis=0)
    high = np.where(known, corners, -np.inf).max(axis=0)
    spread = np.where(known.any(axis=0), high - low, 0.0)
    # A cell in which the figure ends has too few corners; the slopes of its neighbours are used instead.
    bend = _bends(miss)
    slack = BENDS * np.where(np.isfinite(bend), bend, 2.0 * _greatest_about(spread)) + NEARLY_M
    found: Flags = known.any(axis=0) & (low - slack <= 0.0) & (high + slack >= 0.0)
    return found


def _bends(table: Array) -> Array:
    """Return the curvature in each cell: the largest second differences at its corners, NaN if the figure ends."""
    total = np.zeros(())
    for axis in (0, 1):
        if table.shape[axis] > 2:
            second = np.abs(np.diff(table, 2, axis=axis))
            beside = [(1, 1) if a == axis else (0, 0) for a in (0, 1)]
            total = total + _corners(np.pad(second, beside, mode="edge")).max(axis=0)
    if min(table.shape) > 1:
        total = total + np.abs(np.diff(np.diff(table, axis=0), axis=1))
    return total


def _greatest_about(spread: Array) -> Array:
    """Return the largest value of each cell and its eight neighbours."""
    wide = np.pad(spread, 1)
    rows, columns = spread.shape
    shifted = [wide[i : i + rows, j : j + columns] for i in range(3) for j in range(3)]
    greatest: Array = np.max(shifted, axis=0)
    return greatest


def _along(miss: Array, cells: NDArray[np.intp]) -> Array:
    """Return places in a row of numbers: the zeros of straight lines, then middle and ends of cells without one."""
    sure: list[float] = []
    perhaps: list[float] = []
    for k in sorted(set(cells.tolist())):
        a, b = float(miss[k]), float(miss[k + 1])
        if a * b <= 0.0 and a != b:
            sure.append(k + a / (a - b))
        else:
            perhaps.extend(k + share for share, end in ((0.0, a), (0.5, a + b), (1.0, b)) if math.isfinite(end))
    return np.array(sure + sorted(set(perhaps)))


def _descend(sight: Sight, start: Array, hops: int) -> Array:
    """Return where damped least squares lead from the starts, (n, 2) speeds and tilts: those that meet or nearly do."""
    at, damping = start.copy(), np.full(len(start), 1e-3)
    miss, slopes = _linear(sight, at, hops)
    alive = np.isfinite(miss).all(axis=1)
    for _ in range(MAX_DESCENTS):
        cost = (miss**2).sum(axis=1)
        going = np.flatnonzero(alive & (cost > 1e-10))
        if not len(going):
            break
        trial = at[going] + CELL * _moves(slopes[going] * CELL, miss[going], damping[going])
        new_miss, new_slopes = _linear(sight, trial, hops)
        better = (new_miss**2).sum(axis=1) < cost[going]
        taken = going[better]
        at[taken], miss[taken], slopes[taken] = trial[better], new_miss[better], new_slopes[better]
        damping[going] = np.where(better, damping[going] / 10.0, damping[going] * 10.0)
        alive &= (np.abs(at - start) <= FARTHEST_CELLS * np.maximum(CELL, 0.07 * start * (1.0, 0.0))).all(axis=1)
        alive &= damping < 1e6
        alive[going] &= _firsts(at[going], SAME_CELLS)
    nearly = np.isfinite(miss).all(axis=1) & (np.abs(miss) < NEARLY_M).all(axis=1)
    at, worst = at[nearly], np.abs(miss[nearly]).max(axis=1)
    order = np.argsort(worst, kind="stable")
    return _with_sides(at[order], worst[order])


def _moves(slopes: Array, miss: Array, damping: Array) -> Array:
    """Return the damped step of each throw in cells, no longer than one cell."""
    square = np.einsum("nki,nkj->nij", slopes, slopes)
    square += np.einsum("n,ij->nij", damping * (1e-6 + np.trace(square, axis1=1, axis2=2)), np.eye(2))
    move = -np.linalg.solve(square, np.einsum("nki,nk->ni", slopes, miss)[..., None])[..., 0]
    short: Array = move / np.maximum(1.0, np.abs(move).max(axis=1, keepdims=True))
    return short


def _linear(sight: Sight, at: Array, hops: int) -> tuple[Array, Array]:
    """Return the misses of n throws, (n, 2) by figure, and their slopes, (n, 2, 2) by figure and by speed and tilt."""
    slopes = np.empty((len(at), 2, 2))
    ways = np.concatenate([at, at + NUDGES * (1.0, 0.0), at + NUDGES * (0.0, 1.0)])
    miss, *nudged = np.split(_misses(sight, ways, hops), 3)
    for k, new in enumerate(nudged):
        slopes[:, :, k] = (new - miss) / NUDGES[k]
    ended = np.isfinite(miss).all(axis=1) & ~np.isfinite(slopes).all(axis=(1, 2))
    if ended.any():  # if a figure ends just ahead, the slope is taken backwards
        back = [at[ended] - NUDGES * (1.0, 0.0), at[ended] - NUDGES * (0.0, 1.0)]
        for k, new in enumerate(np.split(_misses(sight, np.concatenate(back), hops), 2)):
            slopes[ended, :, k] = (miss[ended] - new) / NUDGES[k]
        miss[~np.isfinite(slopes).all(axis=(1, 2))] = np.nan
    return miss, slopes


def _misses(sight: Sight, at: Array, hops: int) -> Array:
    seen, _ = sight.look(at[:, 0], at[:, 1], hops)
    return np.array([getattr(seen, name) - number for name, number in sight.goal.items()]).T


def _firsts(at: Array, cells: float) -> Flags:
    """Tell which throws have no earlier throw in the row within `cells` cells."""
    apart = np.abs((at[:, None, :] - at[None, :, :]) / CELL).max(axis=2)
    found: Flags = ~np.any(np.tril(apart < cells, -1), axis=1)
    return found


def _with_sides(at: Array, worst: Array) -> Array:
    """Return each place once; one that only nearly meets the request gets four more places around it."""
    met = worst < MET_M
    sure, turns = at[met], at[~met]
    sure, turns = sure[_firsts(sure, SAME_CELLS)], turns[_firsts(turns, TURN_CELLS)]
    aside = CELL * TURN_CELLS * np.array([[1.0, 0.0], [-1.0, 0.0], [0.0, 1.0], [0.0, -1.0]])
    sides = (turns[:, None, :] + aside[None]).reshape(-1, 2)
    return np.concatenate([sure, turns, sides])[:MAX_STARTS]
