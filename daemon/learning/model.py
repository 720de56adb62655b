"""The estimate: for each ball type the chance that it is made, week by week, from marks on balls and on whole sets.

Rule of this file: an estimate is computed from marks and never stored as a fact. The level of a type moves by a random
walk from week to week (state-space logistic model, Smith et al. 2004, Journal of Neuroscience 24:447). Types borrow
from each other by a common mean. House values that marks tell little about, how fast skill drifts and how much sets
scatter, are averaged over a grid, weighted by how well each pair foresaw each week. The grid begins at the usual values
and goes up only, so the estimate is never surer than with the usual ones.
"""

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from itertools import product

import numpy as np
from numpy.typing import NDArray
from scipy.special import expit, logit, ndtr, ndtri

from drillfeed.daemon.learning.intervals import INNER_LEVEL, SHOWN_LEVEL, Interval
from drillfeed.daemon.learning.season import COVARIATES, SPIN_CHANGE, TIRED, Season
from drillfeed.daemon.learning.week_update import update

Floats = NDArray[np.float64]

VERSION = "logistic-weeks-1"
"""The name of this model and its house values, told beside each estimate."""


@dataclass(frozen=True)
class House:
    """Values of ours, without a source. Levels are logits; `drifts` are a week, `forms` a set."""

    mean: float = 0.8
    mean_sd: float = 1.0
    type_sd: float = 0.8
    effect_sd: float = 0.5
    drifts: tuple[float, ...] = (0.15, 0.25)
    forms: tuple[float, ...] = (0.3, 0.5)
    sets_for_late_effects: int = 60

    @property
    def pairs(self) -> tuple[tuple[float, float], ...]:
        """Return every pair of drift and form."""
        return tuple(product(self.drifts, self.forms))


HOUSE = House()


@dataclass(frozen=True)
class State:
    """What is known at the end of a week: mean (G, D), covariance (G, D, D), log weight of each pair (G,)."""

    mean: Floats
    covariance: Floats
    log_weights: Floats

    @property
    def weights(self) -> Floats:
        """Return the weights of the pairs, which sum to 1."""
        raised = np.exp(self.log_weights - self.log_weights.max())
        weights: Floats = raised / raised.sum()
        return weights


def beginning(types: int, house: House = HOUSE) -> State:
    """Return what is known before the first mark."""
    length, pairs = types + len(COVARIATES), len(house.pairs)
    mean = np.zeros(length)
    mean[:types] = house.mean
    covariance = np.diag(np.r_[np.full(types, house.type_sd**2), np.full(len(COVARIATES), house.effect_sd**2)])
    covariance[:types, :types] += house.mean_sd**2
    return State(np.tile(mean, (pairs, 1)), np.tile(covariance, (pairs, 1, 1)), np.zeros(pairs))


def drifted(state: State, moving: NDArray[np.bool_], house: House = HOUSE) -> State:
    """Return the state one week later without a mark. `moving` (T,) tells which types have been marked before."""
    step = np.zeros(state.mean.shape[1])
    step[: len(moving)] = moving
    drifts = np.array([drift for drift, _ in house.pairs])
    added = drifts[:, None] ** 2 * step
    covariance = state.covariance.copy()
    diagonal = np.arange(len(step))
    covariance[:, diagonal, diagonal] += added
    return State(state.mean, covariance, state.log_weights)


def after_marks(state: State, rows: Season, house: House = HOUSE) -> State:
    """Return the state after the marks of one week; `state` is the one at the week's beginning."""
    forms = np.array([form for _, form in house.pairs])
    mean, covariance, likelihood = update(rows, state.mean, state.covariance, forms)
    return State(mean, covariance, state.log_weights + likelihood)


@dataclass(frozen=True)
class Course:
    """The states at the beginning (`before`) and the end (`after`) of each week, for one season and house."""

    season: Season
    house: House
    before: tuple[State, ...]
    after: tuple[State, ...]

    @property
    def last(self) -> State:
        """Return the newest state."""
        return self.after[-1]

    def with_week(self, rows: Season) -> State:
        """Return the newest state with other rows in the last week: one more set costs one week, not a season."""
        return after_marks(self.before[-1], rows, self.house)


def follow(season: Season, house: House = HOUSE) -> Course:
    """Return the states of a season week by week; a season without a week has the beginning as its only state."""
    season = _early_effects(season, house)
    state = beginning(len(season.types), house)
    before, after = [], []
    for week in range(max(season.weeks, 1)):
        if week:
            state = drifted(state, season.first_week < week, house)
        before.append(state)
        if week < season.weeks:
            state = after_marks(state, season.of_week(week), house)
        after.append(state)
    return Course(season, house, tuple(before), tuple(after))


def _early_effects(season: Season, house: House) -> Season:
    """Return the season without the covariates that few sets can tell apart from the level of a type."""
    if season.marked_sets >= house.sets_for_late_effects:
        return season
    known = season.covariates.copy()
    known[:, :, [SPIN_CHANGE, TIRED]] = 0.0
    return replace(season, covariates=known)


@dataclass(frozen=True)
class Estimate:
    """The share of one type: the level on the logit scale with its standard deviation, the share, two intervals."""

    ball: str
    level: float
    level_sd: float
    share: float = field(init=False)
    inner: Interval = field(init=False)
    outer: Interval = field(init=False)

    def __post_init__(self) -> None:
        object.__setattr__(self, "share", float(expit(self.level)))
        object.__setattr__(self, "inner", self.interval(INNER_LEVEL))
        object.__setattr__(self, "outer", self.interval(SHOWN_LEVEL))

    def interval(self, level: float) -> Interval:
        """Return the interval that holds the share with probability `level`."""
        low, high = expit(self.level + self.level_sd * ndtri([(1 - level) / 2, (1 + level) / 2]))
        return Interval(float(low), float(high))

    def below(self, share: float) -> float:
        """Return the probability that the share is below a figure."""
        return float(ndtr((logit(share) - self.level) / self.level_sd))


def levels(mean: Floats, covariance: Floats, weights: Floats, conditions: Floats) -> tuple[Floats, Floats]:
    """Return mean and standard deviation of each type's level (..., T) under its conditions (T, C).

    `mean` (..., G, D) and `covariance` (..., G, D, D). The pairs are averaged: the variance holds what is within each
    pair and how far the pairs lie apart.
    """
    types = len(conditions)
    reading = np.concatenate([np.eye(types), conditions], axis=1)
    means = mean @ reading.T
    variances = ((reading @ covariance) * reading).sum(axis=-1)
    middle = (weights[:, None] * means).sum(axis=-2)
    spread = (weights[:, None] * (variances + (means - middle[..., None, :]) ** 2)).sum(axis=-2)
    return middle, np.sqrt(spread)


def estimates(state: State, names: Sequence[str], conditions: Floats | None = None) -> tuple[Estimate, ...]:
    """Return the estimate of each type; `conditions` (T, C) are 0, a fixed sequence at 30/min, unless given."""
    at = np.zeros((len(names), len(COVARIATES))) if conditions is None else conditions
    middle, spread = levels(state.mean, state.covariance, state.weights, at)
    return tuple(Estimate(name, float(level), float(sd)) for name, level, sd in zip(names, middle, spread, strict=True))
