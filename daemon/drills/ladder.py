"""Changes to a drill: easier, harder, faster, slower, another ball.

Rule of this file: `Changes` keeps what was asked for. It is always applied to the drill as written, so the same changes
give the same drill, whatever happened in between. No tempo passes the drill's own bound, and no set is longer than the
hard bound. A warm-up or a check set is never changed.
"""

from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, replace
from functools import partial

from drillfeed.daemon.drills.bounds import HARD_MAX_BALLS, HARD_MAX_SET_BALLS, MIN_TEMPO_PER_MIN
from drillfeed.daemon.drills.drawing import SequenceKind
from drillfeed.daemon.drills.drill import Drill, Rung, Set
from drillfeed.daemon.drills.quota import QuotaSequence
from drillfeed.daemon.drills.sides import swapped
from drillfeed.daemon.drills.weighted import RandomSequence
from drillfeed.daemon.validation import InvalidFile, validate
from drillfeed.protocol.texts.catalogue import text

TEMPO_STEP_PER_MIN = 5.0


class NoStep(Exception):
    """The drill has no such step; the text says why."""


@dataclass(frozen=True)
class Changes:
    """What was changed in a drill as written. `rung` is 0 as written, negative if easier, positive if harder."""

    rung: int = 0
    tempo_per_min: float = 0.0
    swaps: tuple[tuple[str, str], ...] = ()

    @property
    def text(self) -> str:
        """Return the changes in words that can be typed again."""
        parts = [text("ladder.rung", rung=self.rung)] if self.rung else []
        parts += [text("ladder.tempo", tempo_per_min=self.tempo_per_min)] if self.tempo_per_min else []
        return ", ".join([*parts, *([self.swaps_text] if self.swaps else [])]) or text("ladder.as-written")

    @property
    def swaps_text(self) -> str:
        """Return the swaps in words: `heavy-push -> light-push, ...`."""
        return ", ".join(f"{old} -> {new}" for old, new in self.swaps)


AS_WRITTEN = Changes()


def rungs(drill: Drill, rung: int) -> tuple[Rung, ...]:
    """Return the steps written for a rung, none if that side has no ladder (a rung is then tempo); raise NoStep."""
    side, ladder = ("harder", drill.harder) if rung > 0 else ("easier", drill.easier)
    if ladder and abs(rung) > len(ladder):
        raise NoStep(text("ladder.ends", drill=drill.name, count=len(ladder), side=side))
    return ladder[: abs(rung)]


def one_rung(drill: Drill, changes: Changes, by: int) -> Changes:
    """Return the changes one rung easier (-1) or harder (+1): the written step, or else 5 balls a minute."""
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
        return text("ladder.as-written")
    return written[-1].title if written else text("ladder.slower" if rung < 0 else "ladder.faster")


def reshaped(drill: Drill, changes: Changes) -> Drill:
    """Return the drill with every change but the tempo applied; raise NoStep if there is no such step."""
    if not changes.rung and not changes.swaps:
        return drill
    for rung in rungs(drill, changes.rung):
        drill = _with_rung(drill, rung)
    for old, new in changes.swaps:
        before = drill.mentions()
        if not any(swapped(mention, old, new) != mention for mention in before):
            raise NoStep(text("ladder.no-such-ball", drill=drill.name, old=old, balls=", ".join(before)))
        drill = _with_sequences(drill, partial(_swap, swap={old: new}))
    return _valid(drill)


def tempo_change(drill: Drill, changes: Changes) -> float:
    """Return by how many balls a minute the changes alter the tempo of every set."""
    return changes.tempo_per_min + sum(rung.tempo_change_per_min for rung in rungs(drill, changes.rung))


def paced(drill: Drill, change_per_min: float, running_per_min: Iterable[float]) -> Drill:
    """Return the drill with the running tempo of every set changed, within the drill's bound; raise NoStep."""
    sets = []
    for part, running in zip(drill.set, running_per_min, strict=True):
        wanted = running + change_per_min
        if wanted < MIN_TEMPO_PER_MIN:
            raise NoStep(text("ladder.too-slow", wanted=wanted, min_per_min=MIN_TEMPO_PER_MIN))
        paced_part = part.model_copy(update={"tempo_per_min": min(wanted, drill.max_per_min)})
        sets.append(part if part.stays else paced_part)
    return drill.model_copy(update={"set": tuple(sets)})


def _valid(drill: Drill) -> Drill:
    """Return the drill without its ladder, checked like a written one; raise NoStep with the first reason."""
    try:
        return validate(Drill, {**drill.model_dump(), "easier": (), "harder": ()}, drill.name)
    except InvalidFile as error:
        raise NoStep(text("ladder.invalid", error=error.errors[0])) from None


def _each(drill: Drill, change: Callable[[Set], Set]) -> Drill:
    """Return the drill with `change` made to each set but a warm-up or check; `max_balls` grows if it must."""
    sets = tuple(part if part.stays else change(part) for part in drill.set)
    balls = sum(part.balls for part in sets)
    if balls > HARD_MAX_BALLS:
        raise NoStep(text("ladder.too-many", balls=balls, max_balls=HARD_MAX_BALLS))
    return drill.model_copy(update={"set": sets, "max_balls": max(drill.max_balls, balls)})


def _with_sequences(drill: Drill, change: Callable[[SequenceKind], SequenceKind]) -> Drill:
    return _each(drill, lambda part: part.model_copy(update={"sequence": change(part.sequence)}))


def _with_rung(drill: Drill, rung: Rung) -> Drill:
    if rung.balls_change:
        drill = _each(drill, lambda part: _longer(part, rung.balls_change))
    if rung.swap:
        drill = _with_sequences(drill, lambda sequence: _swap(sequence, rung.swap))
    if rung.weights:
        drill = _with_sequences(drill, lambda sequence: _weigh(sequence, rung.weights))
    return drill


def _longer(part: Set, change: int) -> Set:
    """Return the set with `change` more balls (fewer if negative); a quota keeps its length."""
    if isinstance(part.sequence, QuotaSequence):
        return part
    return part.model_copy(update={"balls": min(max(part.balls + change, 1), HARD_MAX_SET_BALLS)})


def _weigh(sequence: SequenceKind, weights: Mapping[str, float]) -> SequenceKind:
    if not isinstance(sequence, RandomSequence):
        return sequence
    known = {name: weights.get(name, weight) for name, weight in sequence.weights.items()}
    return sequence.model_copy(update={"weights": known})


def _swap(sequence: SequenceKind, swap: Mapping[str, str]) -> SequenceKind:
    """Return the sequence with some balls replaced."""

    def rename(mention: str) -> str:
        for old, new in swap.items():
            if swapped(mention, old, new) != mention:
                return swapped(mention, old, new)
        return mention

    return sequence.renamed(rename)
