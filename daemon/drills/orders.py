"""The order of balls inside a set: drawing it, and saying beforehand which pairs may follow each other.

Rule of this file: one row of `ORDERS` for each kind of order. Nothing is drawn here without an rng as
an argument, and no draw can run forever: a rule set that leaves no ball to throw is refused beforehand.
"""

from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from itertools import cycle, pairwise
from typing import Any

import numpy as np

from drillfeed.daemon.drills.balls import BallType
from drillfeed.daemon.drills.drill import FixedOrder, RandomOrder

Pairs = frozenset[tuple[str, str]]
_BLOCK = 256


@dataclass(frozen=True)
class OrderKind:
    """What there is to know of one kind of order.

    `names` lists its balls; `pairs` every (ball, next ball) that the rules allow in a set of that many
    balls; `draw` yields names without end; `faults` says why an order can't be drawn.
    """

    names: Callable[[Any], tuple[str, ...]]
    pairs: Callable[[Any, int], Pairs]
    draw: Callable[[Any, Mapping[str, BallType], np.random.Generator], Iterator[str]]
    faults: Callable[[Any], list[str]]


def _fixed_pairs(order: FixedOrder, balls: int) -> Pairs:
    thrown = [name for name, _ in zip(cycle(order.balls), range(min(balls, len(order.balls) + 1)), strict=False)]
    return frozenset(pairwise(thrown))


def _followers(order: RandomOrder, last: str, alike: int) -> list[str]:
    """Return the balls that may follow `last` when it has come `alike` times in a row."""
    barred = {after for before, after in order.never if before == last}
    if alike >= order.most_alike:
        barred.add(last)
    return [name for name in order.weights if name not in barred]


def _random_pairs(order: RandomOrder, balls: int) -> Pairs:
    if balls < 2:
        return frozenset()
    return frozenset((last, name) for last in order.weights for name in _followers(order, last, 1))


def _random_faults(order: RandomOrder) -> list[str]:
    faults = []
    for last in order.weights:
        for alike in {1, order.most_alike}:
            if not _followers(order, last, alike):
                faults.append(f"after {alike} x {last} no ball is left that the rules allow; most_alike is too small")
                break
    return faults


def _draw_random(order: RandomOrder, balls: Mapping[str, BallType], rng: np.random.Generator) -> Iterator[str]:
    """Draw by weight among the balls that may follow; each draw takes one uniform number."""
    tables: dict[tuple[str, bool], tuple[list[str], np.ndarray[Any, np.dtype[np.float64]]]] = {}

    def table(names: list[str]) -> tuple[list[str], np.ndarray[Any, np.dtype[np.float64]]]:
        shares = np.cumsum([order.weights[name] for name in names])
        return names, shares / shares[-1]

    for last in order.weights:
        for at_limit in (False, True):
            alike = order.most_alike if at_limit else 0
            names = _followers(order, last, alike)
            if names:
                tables[last, at_limit] = table(names)
    begin = list(order.weights)
    if order.first == "easiest":
        begin = [min(begin, key=lambda name: balls[name].ease)]
    names, shares = table(begin)
    last, alike = "", 0
    while True:
        for chance in rng.random(_BLOCK):
            name = names[int(shares.searchsorted(chance, side="right"))]
            alike = alike + 1 if name == last else 1
            last = name
            yield name
            names, shares = tables[last, alike >= order.most_alike]


ORDERS: dict[str, OrderKind] = {
    "fixed": OrderKind(
        names=lambda order: tuple(dict.fromkeys(order.balls)),
        pairs=_fixed_pairs,
        draw=lambda order, balls, rng: cycle(order.balls),
        faults=lambda order: [],
    ),
    "random": OrderKind(
        names=lambda order: tuple(order.weights), pairs=_random_pairs, draw=_draw_random, faults=_random_faults
    ),
}
