"""How well the constants of flight and bounce are known: the width of each, and random draws of all of them.

Rule of this file: aiming uses the defaults in `table.py`; a width only tells how far off they may be.
"""

from dataclasses import dataclass
from statistics import NormalDist
from typing import Any

import numpy as np
from numpy.typing import NDArray

from drillfeed.daemon.physics.table import Ball

Array = NDArray[np.float64]


@dataclass(frozen=True)
class Widths:
    """Hold how far each constant may lie from its default.

    The widths of drag and lift slope are standard deviations, judged from the quartiles of 87 fitted flights (drag
    0.512 to 0.582; data of Gossard et al. 2023, arXiv:2303.03879). The lift's cap changes with its slope. Drag and lift
    are both drawn, since no single drag figure can account for the differences between published tables. Friction may
    differ from its default by up to `friction_reach` either way (0.15 to 0.35: plausible, weakly sourced). Restitution
    varies by `restitution_sds` of its own deviations, which grow with the impact speed (`bounce.restitution_sd`).
    """

    drag_sd: float = 0.04
    lift_slope_sd: float = 0.08
    friction_reach: float = 0.10
    restitution_sds: float = 1.0


WIDTHS = Widths()


@dataclass(frozen=True)
class Constants:
    """Hold constants of n balls, each (n,), that replace those of a `Ball`."""

    drag: Array
    lift_slope: Array
    lift_cap: Array
    friction: Array
    restitution_shift: Array

    def of(self, rows: Any) -> "Constants":
        """Return the constants of some of the balls."""
        return Constants(
            self.drag[rows],
            self.lift_slope[rows],
            self.lift_cap[rows],
            self.friction[rows],
            self.restitution_shift[rows],
        )

    def with_first(self, ball: Ball) -> "Constants":
        """Return the constants with those of the first ball replaced by `ball`'s own."""
        own = (ball.drag, ball.lift_slope, ball.lift_cap, ball.friction, ball.restitution_shift)
        drawn = (self.drag, self.lift_slope, self.lift_cap, self.friction, self.restitution_shift)
        return Constants(*(np.concatenate([[first], rest[1:]]) for first, rest in zip(own, drawn, strict=True)))

    def surface(self, rows: Any) -> tuple[Array, Array]:
        """Return friction and restitution shift of some of the balls."""
        return self.friction[rows], self.restitution_shift[rows]


def draw_constants(rng: np.random.Generator, n: int, ball: Ball, widths: Widths = WIDTHS) -> Constants:
    """Return n draws of the constants about a ball's own, each evenly spread by quantile (Latin hypercube)."""
    lift = 1.0 + widths.lift_slope_sd / ball.lift_slope * even_normal(rng, n) if ball.lift_slope else np.ones(n)
    return Constants(
        drag=np.maximum(ball.drag + widths.drag_sd * even_normal(rng, n), 0.0),
        lift_slope=ball.lift_slope * lift,
        lift_cap=ball.lift_cap * lift,
        friction=ball.friction + widths.friction_reach * (2.0 * even_uniform(rng, n) - 1.0),
        restitution_shift=ball.restitution_shift + widths.restitution_sds * even_normal(rng, n),
    )


def even_uniform(rng: np.random.Generator, n: int) -> Array:
    """Return n numbers between 0 and 1 in random order, one from each n-th part (McKay, Beckman, Conover 1979)."""
    return (rng.permutation(n) + rng.random(n)) / n


def even_normal(rng: np.random.Generator, n: int) -> Array:
    """Return n numbers of the normal distribution in random order, one from each n-th part of it."""
    law = NormalDist()
    return np.array([law.inv_cdf(min(max(float(u), 1e-9), 1.0 - 1e-9)) for u in even_uniform(rng, n)])
