"""One week of marks, taken into the state of a player for every pair of house values at once.

Rule of this file: arrays in, arrays out. G is the number of pairs of house values, R of rows, T of types, C of
covariates, and D = T + C is the length of the state: the level of each type on the logit scale, then the effect of
each covariate.

For balls of type b in one row, n_b of them made with chance p_b, the number made has mean sum n_b p_b and variance
sum v_b with v_b = n_b p_b (1 - p_b). That is exact for one type, and the first two moments of the Poisson-binomial
distribution for several. The form of the set, N(0, su^2) on the logit scale, adds su^2 (sum v_b)^2 and is common to all
rows of the set. With marking errors p_b becomes f + (1 - f - g) p_b. The state that fits best is found by Gauss-Newton
rounds, which is the iterated Kalman filter in information form (Bell and Cathey 1993, IEEE Transactions on Automatic
Control 38:294).
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from drillfeed.daemon.learning.season import Season

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

ROUNDS = 4
"""Gauss-Newton rounds a week. A fourth still moves the third digit; a twelfth changes a level by no more than 1e-4."""
MIN_VARIANCE = 1e-9
FURTHEST_LOGIT = 30.0


@dataclass(frozen=True)
class Linear:
    """The rows of a week made linear about a state, for each pair of house values.

    `information` (G, D, D) and `pull` (G, D) are what the rows add to the precision and to the precision times the
    change of the state. `surprise` (G,) is the squared residual by its variance, `log_variance` (G,) the logarithm of
    the determinant of that variance.
    """

    information: Floats
    pull: Floats
    surprise: Floats
    log_variance: Floats


def logistic(level: Floats) -> Floats:
    """Return the share for a level on the logit scale."""
    share: Floats = 1.0 / (1.0 + np.exp(-np.clip(level, -FURTHEST_LOGIT, FURTHEST_LOGIT)))
    return share


def update(rows: Season, mean: Floats, covariance: Floats, forms: Floats) -> tuple[Floats, Floats, Floats]:
    """Return mean (G, D), covariance (G, D, D) and log likelihood (G,) after the rows of one week.

    `mean` and `covariance` are those before the week; `forms` (G,) is su. The likelihood is that of the rows as
    foreseen before the week, with the rows linear about the state that was found.
    """
    if not len(rows.made):
        return mean, covariance, np.zeros(len(mean))
    precision = np.linalg.inv(covariance)
    state = mean
    for _ in range(ROUNDS):
        linear = _linear(rows, state, state - mean, forms)
        total = precision + linear.information
        state = mean + np.linalg.solve(total, linear.pull[..., None])[..., 0]
    explained = (linear.pull * (state - mean)).sum(axis=1)
    log_determinant = np.linalg.slogdet(total)[1] - np.linalg.slogdet(precision)[1]
    likelihood = -0.5 * (linear.surprise - explained + linear.log_variance + log_determinant)
    after = np.linalg.inv(total)
    return state, (after + after.transpose(0, 2, 1)) / 2, likelihood


def _linear(rows: Season, state: Floats, moved: Floats, forms: Floats) -> Linear:
    """Return the rows made linear about `state` (G, D), which is `moved` from the state before the week."""
    number, types = rows.balls.shape
    levels, effects = state[:, None, :types], state[:, types:]
    effect = (effects @ rows.covariates.reshape(number * types, -1).T).reshape(len(state), number, types)
    chance = logistic(levels + effect)
    kept = (1.0 - rows.forgotten - rows.wrong_misses)[:, None]
    marked = rows.forgotten[:, None] + kept * chance
    mean = rows.balls * marked
    slope = kept * rows.balls * chance * (1.0 - chance)
    variance = np.maximum((mean * (1.0 - marked)).sum(axis=2), MIN_VARIANCE)
    of_covariates = (slope.transpose(1, 0, 2) @ rows.covariates).transpose(1, 0, 2)
    design = np.concatenate([slope, of_covariates], axis=2)
    residual = rows.made - mean.sum(axis=2) + (design @ moved[..., None])[..., 0]
    # What the form of the set does to a row is the row's slope in all its balls together.
    of_form = slope.sum(axis=2)
    if len(rows.first_rows) == number:
        return _one_row_a_set(design, residual, variance + (forms[:, None] * of_form) ** 2)
    return _several_rows_a_set(design, residual, variance, of_form, forms[:, None] ** 2, rows.first_rows)


def _one_row_a_set(design: Floats, residual: Floats, variance: Floats) -> Linear:
    weight = 1.0 / variance
    weighted = (weight[..., None] * design).transpose(0, 2, 1)
    return Linear(
        weighted @ design,
        (weighted @ residual[..., None])[..., 0],
        (weight * residual * residual).sum(axis=1),
        np.log(variance).sum(axis=1),
    )


def _several_rows_a_set(
    design: Floats, residual: Floats, variance: Floats, of_form: Floats, form_variance: Floats, first: Ints
) -> Linear:
    """Return the same where rows of one set share its form: their covariance has one more term of rank one.

    Its inverse is that of Sherman and Morrison. `first` (sets,) tells where the rows of each set begin.
    """
    weight = 1.0 / variance
    shared = np.add.reduceat((of_form * weight)[..., None] * design, first, axis=1)
    shared_residual = np.add.reduceat(of_form * weight * residual, first, axis=1)
    widened = 1.0 + form_variance * np.add.reduceat(of_form * of_form * weight, first, axis=1)
    taken = form_variance / widened
    plain = _one_row_a_set(design, residual, variance)
    taken_shared = (taken[..., None] * shared).transpose(0, 2, 1)
    return Linear(
        plain.information - taken_shared @ shared,
        plain.pull - (taken_shared @ shared_residual[..., None])[..., 0],
        plain.surprise - (taken * shared_residual**2).sum(axis=1),
        plain.log_variance + np.log(widened).sum(axis=1),
    )
