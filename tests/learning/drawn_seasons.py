"""Seasons of players who are made by the model's own rules, with every figure of the truth at hand.

Such players flatter the model: they show whether its intervals hold what they say, not whether anybody learns.
"""

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from drillfeed.daemon.learning.marking_errors import NO_ERRORS, MarkingErrors, Rate
from drillfeed.daemon.learning.season import (
    SPIN_CHANGE_UNIT_REVPS,
    TEMPO_UNIT_PER_MIN,
    TIRED_UNIT_BALLS,
    USUAL_TEMPO_PER_MIN,
    Row,
    Season,
    season,
)

Floats = NDArray[np.float64]


@dataclass(frozen=True)
class Truth:
    """What a drawn player is like, and how the player trains and marks."""

    types: int = 8
    weeks: int = 20
    sets_a_week: int = 24
    balls_a_set: int = 20
    mixed_share: float = 0.7
    unmarked_share: float = 0.3
    mean: float = 0.8
    mean_sd: float = 1.0
    type_sd: float = 0.8
    drift: float = 0.15
    form: float = 0.3
    effect_sd: float = 0.5
    forgotten: float = 0.0
    wrong_misses: float = 0.0
    told: MarkingErrors = NO_ERRORS
    double_count: tuple[int, int] | None = None
    """True misses and true made balls that somebody counted again; the rates told are then learnt from these."""
    gain_points: float | None = None
    """By how much the share of each type rises over the season; with it nothing else drifts."""
    sessions_a_week: int = 3


@dataclass(frozen=True)
class Drawn:
    """One season as it was marked, and the true levels (weeks, types) of a fixed sequence at 30 balls a minute."""

    season: Season
    levels: Floats
    effects: Floats
    singles: tuple[tuple[int, int, int, int], ...]
    """Marked sets of one type as (week, type, made, balls)."""


def draw(truth: Truth, seed: int) -> Drawn:
    """Draw one season."""
    rng = np.random.default_rng(seed)
    levels = _levels(truth, rng)
    effects = rng.normal(0, truth.effect_sd, 4)
    spins = rng.uniform(-40, 60, truth.types)
    told = _told(truth, rng)
    rows, singles = [], []
    for week in range(truth.weeks):
        for number in range(truth.sets_a_week):
            chosen, random = _balls(truth, rng)
            tempo = rng.uniform(20, 50)
            session_sets = max(truth.sets_a_week // truth.sessions_a_week, 1)
            so_far = (number % session_sets) * truth.balls_a_set + np.arange(truth.balls_a_set)
            turn = np.abs(np.diff(spins[chosen], prepend=spins[chosen[0]]))
            known = np.stack(
                [
                    np.full(truth.balls_a_set, float(random)),
                    np.full(truth.balls_a_set, (tempo - USUAL_TEMPO_PER_MIN) / TEMPO_UNIT_PER_MIN),
                    turn / SPIN_CHANGE_UNIT_REVPS,
                    so_far / TIRED_UNIT_BALLS,
                ],
                axis=1,
            )
            logits = levels[week, chosen] + known @ effects + rng.normal(0, truth.form)
            made = rng.random(truth.balls_a_set) < 1 / (1 + np.exp(-logits))
            made = np.where(made, rng.random(made.size) >= truth.wrong_misses, rng.random(made.size) < truth.forgotten)
            if rng.random() < truth.unmarked_share:
                continue
            present = np.unique(chosen)
            rows.append(
                Row(
                    week,
                    week * truth.sets_a_week + number,
                    int(made.sum()),
                    {_name(kind): int((chosen == kind).sum()) for kind in present},
                    {_name(kind): known[chosen == kind].mean(axis=0) for kind in present},
                    told.forgotten.mean,
                    told.wrong_misses.mean,
                )
            )
            if len(present) == 1:
                singles.append((week, int(present[0]), int(made.sum()), truth.balls_a_set))
    names = tuple(map(_name, range(truth.types)))
    return Drawn(season(rows, names, truth.weeks), levels, effects, tuple(singles))


def _told(truth: Truth, rng: np.random.Generator) -> MarkingErrors:
    if truth.double_count is None:
        return truth.told
    misses, made = truth.double_count
    not_marked, marked_missed = rng.binomial(misses, truth.forgotten), rng.binomial(made, truth.wrong_misses)
    return MarkingErrors().counted_again(misses, int(not_marked), made, int(marked_missed))


def _levels(truth: Truth, rng: np.random.Generator) -> Floats:
    middle = rng.normal(truth.mean, truth.mean_sd)
    first = rng.normal(middle, truth.type_sd, truth.types)
    if truth.gain_points is not None:
        share = np.clip(1 / (1 + np.exp(-first)), 0.05, 0.95 - truth.gain_points)
        rising = share + truth.gain_points * np.linspace(0, 1, truth.weeks)[:, None]
        rise: Floats = np.log(rising / (1 - rising))
        return rise
    steps = rng.normal(0, truth.drift, (truth.weeks - 1, truth.types))
    walked: Floats = np.concatenate([first[None], first + np.cumsum(steps, axis=0)])
    return walked


def _balls(truth: Truth, rng: np.random.Generator) -> tuple[NDArray[np.int64], bool]:
    """Return the type of each ball, and whether the sequence is random."""
    if rng.random() >= truth.mixed_share:
        return np.full(truth.balls_a_set, rng.integers(truth.types)), False
    several = rng.choice(truth.types, int(rng.integers(2, 5)), replace=False)
    if rng.random() < 0.5:
        return np.resize(several, truth.balls_a_set), False
    return rng.choice(several, truth.balls_a_set, p=rng.dirichlet(np.full(len(several), 3.0))), True


def _name(kind: int) -> str:
    return f"type-{kind}"


AS_ASSUMED = Truth()
WRONG_MARKS = replace(AS_ASSUMED, forgotten=0.15, wrong_misses=0.02)
TRUTHS: dict[str, Truth] = {
    "as assumed": AS_ASSUMED,
    "80 % unmarked": replace(AS_ASSUMED, unmarked_share=0.8),
    "form 0": replace(AS_ASSUMED, form=0.0),
    "form 0.5": replace(AS_ASSUMED, form=0.5),
    "drift 0.25": replace(AS_ASSUMED, drift=0.25),
    "every set mixed": replace(AS_ASSUMED, mixed_share=1.0),
    "eight weeks, mixed": replace(AS_ASSUMED, mixed_share=1.0, weeks=8),
    "wrong marks ignored": WRONG_MARKS,
    "wrong marks told": replace(WRONG_MARKS, told=MarkingErrors(Rate(15, 85), Rate(2, 98))),
    "double count": replace(WRONG_MARKS, double_count=(40, 100)),
}
