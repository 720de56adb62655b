"""The course of each type over the weeks, seen from the last one: smoothed bands, and draws of whole courses.

Rule of this file: a smoothed week knows the marks after it as well (Rauch, Tung, Striebel 1965, AIAA Journal 3:1445).
Weeks of one type hang together, so whatever compares weeks uses draws of whole courses and never two bands.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtri

from drillfeed.daemon.learning.intervals import INNER_LEVEL, SHOWN_LEVEL
from drillfeed.daemon.learning.model import Course, levels
from drillfeed.daemon.learning.week_update import logistic

Floats = NDArray[np.float64]
DRAWS = 400
"""Draws of a course; the share of draws on one side is then known to 2.5 percent points or better."""
_SMALL = 1e-12


@dataclass(frozen=True)
class Trend:
    """Shares by week and type, each (weeks, T), and whether the type was marked in the week.

    `low_90` to `high_90` and `low_50` to `high_50` are the bands. Before the first mark of a type all are nan.
    """

    types: tuple[str, ...]
    share: Floats
    low_50: Floats
    high_50: Floats
    low_90: Floats
    high_90: Floats
    marked: NDArray[np.bool_]


@dataclass(frozen=True)
class Smoothed:
    """Means (weeks, G, D), covariances (weeks, G, D, D), and the gains from each week to the next (weeks - 1, ...)."""

    mean: Floats
    covariance: Floats
    gain: Floats


def smoothed(course: Course) -> Smoothed:
    """Return the states of all weeks as the whole season tells them."""
    mean = np.array([state.mean for state in course.after])
    covariance = np.array([state.covariance for state in course.after])
    foreseen = np.array([state.covariance for state in course.before[1:]]).reshape(-1, *covariance.shape[1:])
    # P F' with F = 1, times the inverse of the foreseen covariance; both are symmetric.
    gain = np.linalg.solve(foreseen, covariance[:-1]).swapaxes(-1, -2)
    turned = gain.swapaxes(-1, -2)
    for week in range(len(mean) - 2, -1, -1):
        mean[week] += (gain[week] @ (mean[week + 1] - mean[week])[..., None])[..., 0]
        covariance[week] += gain[week] @ (covariance[week + 1] - foreseen[week]) @ turned[week]
    return Smoothed(mean, covariance, gain)


def trend(course: Course, conditions: Floats | None = None) -> Trend:
    """Return the bands of each type under its conditions (T, C), by default how it is usually thrown."""
    season = course.season
    at = season.usual() if conditions is None else conditions
    known = smoothed(course)
    middle, spread = levels(known.mean, known.covariance, course.last.weights, at)
    marked = marked_balls(course) > 0
    before = np.arange(len(middle))[:, None] < season.first_week
    middle[before] = np.nan
    inner, outer = ndtri((1 + INNER_LEVEL) / 2), ndtri((1 + SHOWN_LEVEL) / 2)
    share, low_50, high_50, low_90, high_90 = (
        logistic(middle + width * spread) for width in (0.0, -inner, inner, -outer, outer)
    )
    return Trend(season.types, share, low_50, high_50, low_90, high_90, marked)


def marked_balls(course: Course) -> Floats:
    """Return how many marked balls each type had in each week, shape (weeks, T)."""
    season = course.season
    counts: Floats = np.zeros((len(course.after), len(season.types)))
    np.add.at(counts, season.week, season.balls)
    return counts


def draw_courses(
    course: Course, rng: np.random.Generator, draws: int = DRAWS, conditions: Floats | None = None
) -> Floats:
    """Return drawn shares, shape (draws, weeks, T): whole courses, so that weeks can be compared.

    Backward sampling (Frühwirth-Schnatter 1994, Journal of Time Series Analysis 15:183), each pair of house values as
    often as its weight says.
    """
    at = course.season.usual() if conditions is None else conditions
    reading = np.concatenate([np.eye(len(at)), at], axis=1)
    drawn = np.concatenate(
        [
            _draw_states(course, pair, int(times), rng)
            for pair, times in enumerate(rng.multinomial(draws, course.last.weights))
        ]
    )
    return logistic(drawn @ reading.T)


def draw_last_states(course: Course, rng: np.random.Generator, draws: int = DRAWS) -> Floats:
    """Return drawn states of the last week, shape (draws, D)."""
    last = course.last
    times = rng.multinomial(draws, last.weights)
    return np.concatenate(
        [
            mean + rng.standard_normal((count, len(mean))) @ _root(covariance).T
            for mean, covariance, count in zip(last.mean, last.covariance, times, strict=True)
        ]
    )


def _draw_states(course: Course, pair: int, times: int, rng: np.random.Generator) -> Floats:
    """Return drawn states, shape (times, weeks, D), under one pair of house values."""
    mean = np.array([state.mean[pair] for state in course.after])
    drawn: Floats = np.empty((times, *mean.shape))
    if not times:
        return drawn
    covariance = np.array([state.covariance[pair] for state in course.after])
    foreseen = np.array([state.covariance[pair] for state in course.before[1:]]).reshape(-1, *covariance.shape[1:])
    gain: Floats = np.linalg.solve(foreseen, covariance[:-1]).swapaxes(-1, -2)
    given_next = covariance[:-1] - gain @ covariance[:-1].swapaxes(-1, -2)
    chance = rng.standard_normal(drawn.shape)
    drawn[:, -1] = mean[-1] + chance[:, -1] @ _root(covariance[-1]).T
    roots = _root(given_next)
    for week in range(len(mean) - 2, -1, -1):
        towards = (drawn[:, week + 1] - mean[week]) @ gain[week].T
        drawn[:, week] = mean[week] + towards + chance[:, week] @ roots[week].T
    return drawn


def _root(covariance: Floats) -> Floats:
    """Return a square root of covariances, which may be singular where a type does not move."""
    values, vectors = np.linalg.eigh((covariance + covariance.swapaxes(-1, -2)) / 2)
    root: Floats = vectors * np.sqrt(np.maximum(values, _SMALL))[..., None, :]
    return root
