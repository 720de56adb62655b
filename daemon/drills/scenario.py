"""Scenario sequences: balls, waits, repetitions and choices, nested.

Rule of this file: the pairs of balls that may follow each other come from the scenario itself, never from a draw.
"""

from bisect import bisect_right
from collections.abc import Iterator
from dataclasses import dataclass
from functools import reduce
from itertools import accumulate
from typing import Annotated, Any, Literal, Self

import numpy as np
from pydantic import Discriminator, Field, Tag, model_validator

from drillfeed.daemon.drills.bounds import HARD_MAX_SET_BALLS
from drillfeed.daemon.drills.drawing import Balls, Drawn, Follow, Rename, Weight, distinct
from drillfeed.daemon.drills.sides import Mention
from drillfeed.daemon.validation import Table
from drillfeed.protocol.texts.catalogue import text


class Wait(Table):
    """The next ball leaves this long after the one before it, instead of at the tempo."""

    wait_s: Annotated[float, Field(ge=0.5, le=60)]


class Repeat(Table):
    """Parts that are repeated."""

    times: Annotated[int, Field(ge=1, le=HARD_MAX_SET_BALLS)]
    parts: "Parts"


class Choice(Table):
    """One of several rows of parts, drawn each time: all equally likely, or by weight."""

    one_of: Annotated[tuple["Parts", ...], Field(min_length=2, max_length=20)]
    weights: tuple[Weight, ...] | None = None

    @model_validator(mode="after")
    def _paired(self) -> "Choice":
        if self.weights is not None and len(self.weights) != len(self.one_of):
            raise ValueError(text("scenario.weights", choices=len(self.one_of)))
        return self


def _kind_of_part(part: Any) -> str:
    if isinstance(part, str):
        return "ball"
    keys = part if isinstance(part, dict) else type(part).model_fields if isinstance(part, Table) else ()
    return "wait" if "wait_s" in keys else "choice" if "one_of" in keys else "repeat"


Part = Annotated[
    Annotated[Mention, Tag("ball")]
    | Annotated[Wait, Tag("wait")]
    | Annotated[Repeat, Tag("repeat")]
    | Annotated[Choice, Tag("choice")],
    Discriminator(_kind_of_part),
]
Parts = Annotated[tuple[Part, ...], Field(min_length=1, max_length=HARD_MAX_SET_BALLS)]
Row = tuple[Part, ...]
_Ends = frozenset[tuple[str, float]]


class ScenarioSequence(Table):
    """Balls, waits, repetitions and choices, nested; the sequence starts again after its end."""

    kind: Literal["scenario"]
    parts: Parts

    @model_validator(mode="after")
    def _throws(self) -> "ScenarioSequence":
        if not _every_way_throws(self.parts):
            raise ValueError(text("scenario.no-ball"))
        return self

    @property
    def chooses(self) -> bool:
        """Return whether anything in it is drawn."""
        return _chooses(self.parts)

    def names(self) -> tuple[str, ...]:
        """Return the mentions of its balls, in order of first mention."""
        return distinct(_names(self.parts))

    def follows(self, set_balls: int, balls: Balls) -> frozenset[Follow]:
        """Return every pair that may follow each other, with the wait between them."""
        if set_balls < 2:
            return frozenset()
        once = _row_shape(self.parts)
        return once.inside if set_balls <= once.fewest else _then(once, once).inside

    def faults(self, set_balls: int, balls: Balls) -> list[str]:
        """Return nothing: the validators have already refused what can't be thrown."""
        return []

    def draw(self, balls: Balls, rng: np.random.Generator) -> Iterator[Drawn]:
        """Yield balls without end; successive waits add up, and a wait before the first ball has no effect."""
        wait_s = 0.0
        while True:
            for part in _play(self.parts, rng):
                if isinstance(part, Wait):
                    wait_s += part.wait_s
                else:
                    yield Drawn(part, wait_s)
                    wait_s = 0.0

    def renamed(self, rename: Rename) -> Self:
        """Return the sequence with `rename` applied to every mention."""
        return self.model_copy(update={"parts": _renamed(self.parts, rename)})


Repeat.model_rebuild()
Choice.model_rebuild()


@dataclass(frozen=True)
class _Shape:
    """A row seen from outside: its first and last balls with the waits before and after them, and the pairs inside.

    A row with only waits has no first and last ball; `wait_s` is their sum. `fewest` is the smallest number of balls
    that the row throws.
    """

    firsts: _Ends = frozenset()
    lasts: _Ends = frozenset()
    inside: frozenset[Follow] = frozenset()
    wait_s: float = 0.0
    fewest: int = 0


def _rows_inside(part: Any) -> tuple[Row, ...]:
    """Return the rows of parts that one part holds; none for a ball or a wait."""
    if isinstance(part, Repeat):
        return (part.parts,)
    return part.one_of if isinstance(part, Choice) else ()


def _every_way_throws(parts: Row) -> bool:
    rows = [row for part in parts for row in _rows_inside(part)]
    return any(not isinstance(part, Wait) for part in parts) and all(map(_every_way_throws, rows))


def _chooses(row: Row) -> bool:
    return any(isinstance(part, Choice) or any(map(_chooses, _rows_inside(part))) for part in row)


def _names(row: Row) -> Iterator[str]:
    for part in row:
        if isinstance(part, str):
            yield part
        for inside in _rows_inside(part):
            yield from _names(inside)


def _renamed(row: Row, rename: Rename) -> Row:
    parts: list[Part] = []
    for part in row:
        if isinstance(part, str):
            parts.append(rename(part))
        elif isinstance(part, Repeat):
            parts.append(part.model_copy(update={"parts": _renamed(part.parts, rename)}))
        elif isinstance(part, Choice):
            rows = tuple(_renamed(inside, rename) for inside in part.one_of)
            parts.append(part.model_copy(update={"one_of": rows}))
        else:
            parts.append(part)
    return tuple(parts)


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
    shapes = [_row_shape(inside) for inside in _rows_inside(part)]
    if isinstance(part, Repeat):
        once = shapes[0]
        many = once if part.times == 1 else _then(once, once)
        return _Shape(many.firsts, many.lasts, many.inside, fewest=once.fewest * part.times)
    return _Shape(
        frozenset().union(*(shape.firsts for shape in shapes)),
        frozenset().union(*(shape.lasts for shape in shapes)),
        frozenset().union(*(shape.inside for shape in shapes)),
        fewest=min(shape.fewest for shape in shapes),
    )


def _then(first: _Shape, second: _Shape) -> _Shape:
    """Return the shape of one row followed by another."""
    if not first.firsts:
        firsts = frozenset((name, first.wait_s + wait_s) for name, wait_s in second.firsts)
        return _Shape(firsts, second.lasts, second.inside, first.wait_s + second.wait_s, second.fewest)
    if not second.firsts:
        lasts = frozenset((name, wait_s + second.wait_s) for name, wait_s in first.lasts)
        return _Shape(first.firsts, lasts, first.inside, 0.0, first.fewest)
    meeting = frozenset(
        Follow(before, after, rest_s + wait_s) for before, rest_s in first.lasts for after, wait_s in second.firsts
    )
    return _Shape(first.firsts, second.lasts, first.inside | second.inside | meeting, 0.0, first.fewest + second.fewest)
