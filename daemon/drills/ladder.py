"""Easier, harder, faster, slower, another ball: what a change makes of a drill as written.

Rule of this file: a change is kept as what was asked for, and always applied to the drill as written, so that the
same changes give the same drill whatever came between. Bounds hold: no tempo above the drill's own, no set longer
than the hard bound. A warm-up is left alone.
"""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import partial
from typing import Any

from drillfeed.daemon.drills.drill import HARD_MOST_BALLS, Drill, Rung, Set
from drillfeed.daemon.drills.forms import (
    HARD_MOST_SET_BALLS,
    Choice,
    FixedOrder,
    Order,
    QuotaOrder,
    RandomOrder,
    Repeat,
    RotatingOrder,
)
from drillfeed.daemon.drills.sides import swapped
from drillfeed.daemon.mistakes import FileMistakes, validate

TEMPO_STEP_PER_MIN = 5.0
LEAST_TEMPO_PER_MIN = 5.0


class NoStep(Exception):
    """The drill has no such step; the text says why."""


@dataclass(frozen=True)
class Changes:
    """What was changed in a drill as written. `rung` counts from 0, as written, easier below it and harder above."""

    rung: int = 0
    tempo_per_min: float = 0.0
    swaps: tuple[tuple[str, str], ...] = ()

    @property
    def text(self) -> str:
        """Return the changes in words, so that they can be typed again."""
        parts = [f"rung {self.rung:+d}"] if self.rung else []
        parts += [f"tempo {self.tempo_per_min:+g}/min"] if self.tempo_per_min else []
        return ", ".join([*parts, *([self.swaps_text] if self.swaps else [])]) or "as written"

    @property
    def swaps_text(self) -> str:
        """Return the swaps in the form that `read_swaps` reads."""
        return ", ".join(f"{old} -> {new}" for old, new in self.swaps)


def read_swaps(text: str) -> tuple[tuple[str, str], ...]:
    """Return the swaps that a text of `Changes.swaps_text` says."""
    pairs = (one.partition(" -> ") for one in text.split(", ") if one)
    return tuple((old, new) for old, _, new in pairs)


AS_WRITTEN = Changes()


def rungs(drill: Drill, rung: int) -> tuple[Rung, ...]:
    """Return the steps written for a rung; none on a side without a ladder, where a rung is tempo. Raises NoStep."""
    side, ladder = ("harder", drill.harder) if rung > 0 else ("easier", drill.easier)
    if ladder and abs(rung) > len(ladder):
        raise NoStep(f"the ladder of {drill.name} has {len(ladder)} {side} step{'s' * (len(ladder) > 1)} and no more")
    return ladder[: abs(rung)]


def one_rung(drill: Drill, changes: Changes, by: int) -> Changes:
    """Return the changes one rung easier (-1) or harder (+1): a written step, else 5 balls a minute."""
    rung = changes.rung + by
    below = min(rung, changes.rung) < 0
    written = drill.easier if below else drill.harder
    rungs(drill, rung)
    return replace(
        changes, rung=rung, tempo_per_min=changes.tempo_per_min + (0.0 if written else by * TEMPO_STEP_PER_MIN)
    )


def rung_text(drill: Drill, rung: int) -> str:
    """Return what the newest step to a rung does, in words."""
    written = rungs(drill, rung)
    if not rung:
        return "as written"
    return written[-1].title if written else "slower" if rung < 0 else "faster"


def reshaped(drill: Drill, changes: Changes) -> Drill:
    """Return the drill as written with its changes, all but the tempo; raises NoStep where there is no such step."""
    if not changes.rung and not changes.swaps:
        return drill
    for rung in rungs(drill, changes.rung):
        drill = _with_rung(drill, rung)
    for old, new in changes.swaps:
        before = drill.mentions()
        if not any(swapped(mention, old, new) != mention for mention in before):
            raise NoStep(f"{drill.name} throws no {old}; it throws {', '.join(before)}")
        drill = _with_orders(drill, partial(_swap, swap={old: new}))
    return _valid(drill)


def tempo_change(drill: Drill, changes: Changes) -> float:
    """Return by how many balls a minute the changes move the tempo of every set."""
    return changes.tempo_per_min + sum(rung.tempo_change_per_min for rung in rungs(drill, changes.rung))


def paced(drill: Drill, change_per_min: float, running_per_min: Sequence[float]) -> Drill:
    """Return the drill with every set moved from the tempo it runs at, within the drill's own bound; raises NoStep."""
    tempos = iter(running_per_min)

    def tempo(one: Set) -> Set:
        wanted = next(tempos) + change_per_min
        if wanted < LEAST_TEMPO_PER_MIN:
            raise NoStep(f"{wanted:.1f}/min is slower than a set may run, {LEAST_TEMPO_PER_MIN:g}/min")
        return one.model_copy(update={"tempo_per_min": min(wanted, drill.most_per_min)})

    sets = []
    for one in drill.set:
        faster = tempo(one)
        sets.append(one if one.warm_up else faster)
    return drill.model_copy(update={"set": tuple(sets)})


def _valid(drill: Drill) -> Drill:
    """Return the drill, without its ladder, as if it had been written so; raises NoStep with the first reason."""
    try:
        return validate(Drill, {**drill.model_dump(), "easier": (), "harder": ()}, drill.name)
    except FileMistakes as wrong:
        raise NoStep(f"so changed the drill no longer holds together: {wrong.mistakes[0]}") from None


def _each(drill: Drill, change: Any) -> Drill:
    """Return the drill with `change` made to each set but the warm-up; bounds in balls follow."""
    sets = tuple(one if one.warm_up else change(one) for one in drill.set)
    balls = sum(one.balls for one in sets)
    if balls > HARD_MOST_BALLS:
        raise NoStep(f"{balls} balls; a drill holds {HARD_MOST_BALLS} at most")
    return drill.model_copy(update={"set": sets, "most_balls": max(drill.most_balls, balls)})


def _with_orders(drill: Drill, change: Any) -> Drill:
    return _each(drill, lambda one: one.model_copy(update={"order": change(one.order)}))


def _with_rung(drill: Drill, rung: Rung) -> Drill:
    if rung.balls_change:
        drill = _each(drill, lambda one: _longer(one, rung.balls_change))
    if rung.swap:
        drill = _with_orders(drill, lambda order: _swap(order, rung.swap))
    if rung.weights:
        drill = _with_orders(drill, lambda order: _weigh(order, rung.weights))
    return drill


def _longer(one: Set, change: int) -> Set:
    """Return the set longer or shorter; the length of a quota is what its quotas make."""
    if isinstance(one.order, QuotaOrder):
        return one
    return one.model_copy(update={"balls": min(max(one.balls + change, 1), HARD_MOST_SET_BALLS)})


def _weigh(order: Order, weights: Mapping[str, float]) -> Order:
    if not isinstance(order, RandomOrder):
        return order
    known = {name: weights.get(name, weight) for name, weight in order.weights.items()}
    return order.model_copy(update={"weights": known})


def _swap(order: Order, swap: Mapping[str, str]) -> Order:
    """Return the order with other balls in the places of some; what falls together is added up."""

    def name(mention: str) -> str:
        for old, new in swap.items():
            if swapped(mention, old, new) != mention:
                return swapped(mention, old, new)
        return mention

    if isinstance(order, FixedOrder | RotatingOrder):
        return order.model_copy(update={"balls": tuple(map(name, order.balls))})
    if isinstance(order, QuotaOrder):
        return order.model_copy(update={"quota": _sums((name(ball), n) for ball, n in order.quota.items())})
    if isinstance(order, RandomOrder):
        after: dict[str, dict[str, float]] = {}
        for last, row in order.after.items():
            after.setdefault(name(last), _sums((name(ball), share) for ball, share in row.items()))
        return order.model_copy(
            update={
                "weights": _sums((name(ball), weight) for ball, weight in order.weights.items()),
                "never": tuple((name(before), name(ball)) for before, ball in order.never),
                "after": after,
            }
        )
    return order.model_copy(update={"parts": _swap_parts(order.parts, name)})


def _swap_parts(row: tuple[Any, ...], name: Any) -> tuple[Any, ...]:
    swapped_row = []
    for part in row:
        if isinstance(part, str):
            swapped_row.append(name(part))
        elif isinstance(part, Repeat):
            swapped_row.append(part.model_copy(update={"parts": _swap_parts(part.parts, name)}))
        elif isinstance(part, Choice):
            rows = tuple(_swap_parts(inside, name) for inside in part.one_of)
            swapped_row.append(part.model_copy(update={"one_of": rows}))
        else:
            swapped_row.append(part)
    return tuple(swapped_row)


def _sums(pairs: Iterable[tuple[str, Any]]) -> dict[str, Any]:
    together: dict[str, Any] = {}
    for name, amount in pairs:
        together[name] = together.get(name, 0) + amount
    return together
