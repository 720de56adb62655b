"""Scenarios: balls, waits, repetitions and choices, nested.

Rule of this file: which balls may follow which is read from the scenario itself, never from a draw.
"""

from bisect import bisect_right
from collections.abc import Iterator
from dataclasses import dataclass
from functools import reduce
from itertools import accumulate

import numpy as np

from drillfeed.daemon.drills.forms import Choice, Part, Repeat, ScenarioOrder, Wait, rows_inside
from drillfeed.daemon.drills.sequence import Drawn, Follow

Row = tuple[Part, ...]
_Ends = frozenset[tuple[str, float]]


@dataclass(frozen=True)
class _Shape:
    """A row seen from outside: its first and last balls with the waits before and after them, and the pairs inside.

    A row of waits alone has no ends and `wait_s`; `fewest` is the least number of balls it throws.
    """

    firsts: _Ends = frozenset()
    lasts: _Ends = frozenset()
    inside: frozenset[Follow] = frozenset()
    wait_s: float = 0.0
    fewest: int = 0


def names(row: Row) -> tuple[str, ...]:
    """Return the mentions of a row, in order of first mention."""
    found: dict[str, None] = {}
    for part in row:
        inner = [part] if isinstance(part, str) else [name for inside in rows_inside(part) for name in names(inside)]
        found.update(dict.fromkeys(inner))
    return tuple(found)


def follows(order: ScenarioOrder, balls: int) -> frozenset[Follow]:
    """Return every pair that may follow each other, with the wait between them."""
    if balls < 2:
        return frozenset()
    once = _row_shape(order.parts)
    return once.inside if balls <= once.fewest else _then(once, once).inside


def draw(order: ScenarioOrder, rng: np.random.Generator) -> Iterator[Drawn]:
    """Yield balls without end; waits that meet add up, and one before the very first ball counts for nothing."""
    wait_s = 0.0
    while True:
        for item in _play(order.parts, rng):
            if isinstance(item, Wait):
                wait_s += item.wait_s
            else:
                yield Drawn(item, wait_s)
                wait_s = 0.0


def _play(row: Row, rng: np.random.Generator) -> Iterator[str | Wait]:
    for part in row:
        if isinstance(part, str | Wait):
            yield part
        elif isinstance(part, Repeat):
            for _ in range(part.times):
                yield from _play(part.parts, rng)
        else:
            yield from _play(part.one_of[_chosen(part, rng)], rng)


def _chosen(choice: Choice, rng: np.random.Generator) -> int:
    steps = list(accumulate(choice.weights or (1.0,) * len(choice.one_of)))
    return bisect_right(steps, rng.random() * steps[-1])


def _row_shape(row: Row) -> _Shape:
    return reduce(_then, map(_shape, row))


def _shape(part: Part) -> _Shape:
    if isinstance(part, str):
        alone: _Ends = frozenset({(part, 0.0)})
        return _Shape(alone, alone, fewest=1)
    if isinstance(part, Wait):
        return _Shape(wait_s=part.wait_s)
    shapes = [_row_shape(inside) for inside in rows_inside(part)]
    if isinstance(part, Repeat):
        once = shapes[0]
        many = once if part.times == 1 else _then(once, once)
        return _Shape(many.firsts, many.lasts, many.inside, fewest=once.fewest * part.times)
    return _Shape(
        frozenset().union(*(one.firsts for one in shapes)),
        frozenset().union(*(one.lasts for one in shapes)),
        frozenset().union(*(one.inside for one in shapes)),
        fewest=min(one.fewest for one in shapes),
    )


def _then(one: _Shape, two: _Shape) -> _Shape:
    """Return the shape of one row and then another."""
    if not one.firsts:
        firsts = frozenset((name, one.wait_s + wait_s) for name, wait_s in two.firsts)
        return _Shape(firsts, two.lasts, two.inside, one.wait_s + two.wait_s, two.fewest)
    if not two.firsts:
        lasts = frozenset((name, wait_s + two.wait_s) for name, wait_s in one.lasts)
        return _Shape(one.firsts, lasts, one.inside, 0.0, one.fewest)
    meeting = frozenset(
        Follow(before, after, rest_s + wait_s) for before, rest_s in one.lasts for after, wait_s in two.firsts
    )
    return _Shape(one.firsts, two.lasts, one.inside | two.inside | meeting, 0.0, one.fewest + two.fewest)
