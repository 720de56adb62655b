"""The order of balls inside a set: drawing it, and saying beforehand which balls may follow each other.

Rule of this file: one row of `ORDERS` for each kind of order. Nothing is drawn here without an rng as an
argument, and no draw can run forever: a rule set that leaves no ball to throw is refused beforehand.
"""

from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from itertools import count, cycle, islice, pairwise
from typing import Any

import numpy as np

from drillfeed.daemon.drills import quota, scenario, weighted
from drillfeed.daemon.drills.balls import BallType
from drillfeed.daemon.drills.forms import FixedOrder, RotatingOrder
from drillfeed.daemon.drills.sequence import Drawn, Follow, easiest

Follows = frozenset[Follow]


@dataclass(frozen=True)
class OrderKind:
    """What there is to know of one kind of order.

    `names` lists its balls; `follows` every (ball, next ball, wait in s, 0 at the tempo) that the rules allow in a
    set of that many balls; `draw` yields balls, without end unless it is a quota; `faults` says why a set of that
    many balls can't be drawn.
    """

    names: Callable[[Any], tuple[str, ...]]
    follows: Callable[[Any, int, Mapping[str, BallType]], Follows]
    draw: Callable[[Any, Mapping[str, BallType], np.random.Generator], Iterator[Drawn]]
    faults: Callable[[Any, int, Mapping[str, BallType]], list[str]]


def _names(order: FixedOrder | RotatingOrder) -> tuple[str, ...]:
    return tuple(dict.fromkeys(order.balls))


def _fixed(order: FixedOrder, balls: Mapping[str, BallType]) -> Iterator[str]:
    begin = order.balls.index(easiest(order.balls, balls)) if order.first == "easiest" else 0
    return cycle(order.balls[begin:] + order.balls[:begin])


def _rotating(order: RotatingOrder) -> Iterator[str]:
    for turn in count():
        begin = turn % len(order.balls)
        yield from order.balls[begin:]
        yield from order.balls[:begin]


def _pairs_of(names: Iterator[str], balls: int) -> Follows:
    return frozenset(Follow(before, after, 0.0) for before, after in pairwise(islice(names, balls)))


ORDERS: dict[str, OrderKind] = {
    "fixed": OrderKind(
        names=_names,
        follows=lambda order, n, balls: _pairs_of(_fixed(order, balls), min(n, len(order.balls) + 1)),
        draw=lambda order, balls, rng: map(Drawn, _fixed(order, balls)),
        faults=lambda order, n, balls: [],
    ),
    "rotating": OrderKind(
        names=_names,
        follows=lambda order, n, balls: _pairs_of(_rotating(order), min(n, len(order.balls) ** 2 + 1)),
        draw=lambda order, balls, rng: map(Drawn, _rotating(order)),
        faults=lambda order, n, balls: [],
    ),
    "random": OrderKind(
        names=lambda order: tuple(order.weights),
        follows=lambda order, n, balls: weighted.follows(order, n),
        draw=weighted.draw,
        faults=lambda order, n, balls: weighted.faults(order),
    ),
    "quota": OrderKind(
        names=lambda order: tuple(order.quota),
        follows=lambda order, n, balls: quota.follows(order, n),
        draw=quota.draw,
        faults=quota.faults,
    ),
    "scenario": OrderKind(
        names=lambda order: scenario.names(order.parts),
        follows=lambda order, n, balls: scenario.follows(order, n),
        draw=lambda order, balls, rng: scenario.draw(order, rng),
        faults=lambda order, n, balls: [],
    ),
}


def names_of(order: Any) -> tuple[str, ...]:
    """Return the mentions of an order, in order of first mention."""
    return ORDERS[order.kind].names(order)
