"""Balls drawn by weight, with run limits, barred pairs and followers by share: a chain with one ball of memory.

Rule of this file: `chances` is the one place that says how likely a ball is; drawing, pairs and faults follow it.
"""

from collections.abc import Iterator, Mapping
from typing import Any

import numpy as np

from drillfeed.daemon.drills.balls import BallType
from drillfeed.daemon.drills.forms import RandomOrder
from drillfeed.daemon.drills.sequence import Drawn, Follow, easiest

_BLOCK = 256
_Table = tuple[list[Drawn], np.ndarray[Any, np.dtype[np.float64]]]


def chances(order: RandomOrder, last: str, at_limit: bool) -> dict[str, float]:
    """Return how likely each ball is after `last`; empty where the rules leave none.

    A follower of `after` keeps its share exactly; the rest goes by weight. Where the run limit bars a follower, its
    share goes by weight to the others.
    """
    barred = {after for before, after in order.never if before == last}
    if at_limit:
        barred.add(last)
    named = {name: share for name, share in order.after.get(last, {}).items() if name not in barred}
    others = {
        name: weight
        for name, weight in order.weights.items()
        if name not in barred and name not in order.after.get(last, {})
    }
    left = max(1.0 - sum(named.values()), 0.0)
    if not others or left < 1e-12:
        total = sum(named.values())
        return {name: share / total for name, share in named.items()}
    total = sum(others.values())
    return named | {name: left * weight / total for name, weight in others.items()}


def follows(order: RandomOrder, balls: int) -> frozenset[Follow]:
    """Return every pair that may follow each other in a set of so many balls."""
    if balls < 2:
        return frozenset()
    states = [(last, at_limit) for last in order.weights for at_limit in {order.most_alike == 1, True}]
    return frozenset(Follow(last, name, 0.0) for last, limit in states for name in chances(order, last, limit))


def faults(order: RandomOrder) -> list[str]:
    """Return why the rules can't be kept: a ball after which nothing may come, a share that can't be kept."""
    found = []
    for last in order.weights:
        runs = {order.most_alike: True} if order.most_alike == 1 else {1: False, order.most_alike: True}
        for alike, at_limit in runs.items():
            if not chances(order, last, at_limit):
                found.append(f"after {alike} x {last} no ball is left that the rules allow; most_alike is too small")
                break
        row = order.after.get(last, {})
        free = set(order.weights) - set(row) - {after for before, after in order.never if before == last}
        if row and not free and sum(row.values()) < 1 - 1e-9:
            found.append(f"the shares after {last} make {sum(row.values()):.0%} and no other ball may take the rest")
    return found


def draw(order: RandomOrder, balls: Mapping[str, BallType], rng: np.random.Generator) -> Iterator[Drawn]:
    """Yield balls without end; each takes one uniform number."""
    tables = {
        (last, at_limit): _table(chances(order, last, at_limit)) for last in order.weights for at_limit in (False, True)
    }
    begin = {easiest(order.weights, balls): 1.0} if order.first == "easiest" else dict(order.weights)
    drawn, steps = _table(begin)
    last, alike = "", 0
    while True:
        for chance in rng.random(_BLOCK):
            one = drawn[int(steps.searchsorted(chance, side="right"))]
            alike = alike + 1 if one.mention == last else 1
            last = one.mention
            yield one
            drawn, steps = tables[last, alike >= order.most_alike]


def _table(chance: Mapping[str, float]) -> _Table:
    """Return the balls and the upper edges of their parts of 0 to 1; nothing to draw from where there are none."""
    steps = np.cumsum(list(chance.values()), dtype=np.float64)
    return [Drawn(name) for name in chance], steps / steps[-1] if len(steps) else steps
