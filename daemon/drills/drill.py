"""The drill as its TOML file describes it: sets of balls with their sequence, tempo, rests, bounds and steps.

Rule of this file: it holds what a coach wrote, and checks only its form. `planning` fits it to a machine,
`drills/sequences.py` lists the kinds of sequence, and `drills/ladder.py` applies the steps of the ladder.
"""

from collections.abc import Mapping
from typing import Annotated, Any, Literal

from pydantic import Field, model_validator

from drillfeed.daemon.drills.balls import Level, Name
from drillfeed.daemon.drills.bounds import (
    HARD_MAX_BALLS,
    HARD_MAX_MINUTES,
    HARD_MAX_PER_MIN,
    HARD_MAX_SET_BALLS,
    MIN_RESUME_DELAY_S,
    MIN_START_DELAY_S,
)
from drillfeed.daemon.drills.drawing import Weight
from drillfeed.daemon.drills.quota import QuotaSequence
from drillfeed.daemon.drills.sequences import Sequence
from drillfeed.daemon.drills.sides import Mention, split
from drillfeed.daemon.drills.written import FixedSequence
from drillfeed.daemon.validation import Table, Words, validate
from drillfeed.protocol.texts.catalogue import text

Tempo = Annotated[float, Field(gt=0, le=HARD_MAX_PER_MIN)]


class Bursts(Table):
    """Balls at the tempo in bursts of `min_balls` to `max_balls`, each followed by a pause."""

    min_balls: Annotated[int, Field(ge=2, le=HARD_MAX_SET_BALLS)]
    max_balls: Annotated[int, Field(ge=2, le=HARD_MAX_SET_BALLS)]
    pause_s: Annotated[float, Field(ge=1, le=60)]

    @model_validator(mode="after")
    def _ordered(self) -> "Bursts":
        if self.min_balls > self.max_balls:
            raise ValueError(text("drill.bursts"))
        return self


class Variation(Table):
    """Small differences from ball to ball, even in both directions; 0 means no variation.

    The time between balls varies by a share of it, the speed by m/s, and the depth by cm (only for balls that give a
    depth).
    """

    tempo_share: Annotated[float, Field(ge=0, le=0.2)] = 0.0
    speed_mps: Annotated[float, Field(ge=0, le=0.5)] = 0.0
    depth_cm: Annotated[float, Field(ge=0, le=20)] = 0.0


class Set(Table):
    """Balls thrown without a rest, and the rest that follows them."""

    title: Annotated[Words, Field(max_length=80)] = ""
    balls: Annotated[int, Field(ge=1, le=HARD_MAX_SET_BALLS)]
    tempo_per_min: Tempo | None = None
    tempo_rise_per_min: Annotated[
        float, Field(ge=0, le=60, description="from the first ball of the set to the last")
    ] = 0.0
    lasts_s: Annotated[
        float | None, Field(ge=10, le=600, description="the set ends with this time; balls is the most it throws")
    ] = None
    sequence: Sequence
    bursts: Bursts | None = None
    vary: Variation | None = None
    warm_up: bool = False
    check_set: bool = False
    rest_s: Annotated[float | None, Field(ge=1, le=600)] = None

    @property
    def stays(self) -> bool:
        """Tell whether the set is the same on every rung: a warm-up, or a set that is compared with other days."""
        return self.warm_up or self.check_set

    @model_validator(mode="after")
    def _agree(self) -> "Set":
        if isinstance(self.sequence, QuotaSequence) and self.balls != self.sequence.balls:
            raise ValueError(text("drill.quotas", balls=self.sequence.balls))
        if self.lasts_s is not None and (isinstance(self.sequence, QuotaSequence) or self.tempo_rise_per_min):
            raise ValueError(text("drill.lasts"))
        if self.warm_up and (not isinstance(self.sequence, FixedSequence) or len(set(self.sequence.balls)) > 1):
            raise ValueError(text("drill.warm-up-alone"))
        if self.check_set and (self.warm_up or not isinstance(self.sequence, FixedSequence)):
            raise ValueError(text("drill.check-set"))
        return self


class Rung(Table):
    """One step of the ladder, applied on top of the steps before it. `title` says what it changes."""

    title: Annotated[Words, Field(min_length=1, max_length=80)]
    tempo_change_per_min: Annotated[float, Field(ge=-60, le=60)] = 0.0
    balls_change: Annotated[int, Field(ge=-HARD_MAX_SET_BALLS, le=HARD_MAX_SET_BALLS)] = 0
    weights: dict[Mention, Weight] = Field({})
    swap: dict[Mention, Mention] = Field({})

    @model_validator(mode="after")
    def _changes(self) -> "Rung":
        if not (self.tempo_change_per_min or self.balls_change or self.weights or self.swap):
            raise ValueError(text("drill.rung-empty"))
        return self


Ladder = Annotated[tuple[Rung, ...], Field(max_length=10)]


class Drill(Table):
    """A whole drill. A set without `rest_s` is followed by a rest that waits for the player."""

    name: Name
    title: Annotated[Words, Field(max_length=120)]
    trains: Annotated[Words, Field(max_length=300)] = ""
    move_on: Annotated[Words, Field(max_length=300)] = ""
    level: Level
    tempo_per_min: Tempo
    max_per_min: Tempo = HARD_MAX_PER_MIN
    sides: Literal["wanted", "needed"] = "wanted"
    sidespin: Literal["wanted", "needed"] = "needed"
    vary: Variation = Variation()
    start_delay_s: Annotated[float, Field(ge=MIN_START_DELAY_S, le=60)] = 10.0
    resume_delay_s: Annotated[float, Field(ge=MIN_RESUME_DELAY_S, le=60)] = 5.0
    max_balls: Annotated[int, Field(ge=1, le=HARD_MAX_BALLS)] = 300
    max_minutes: Annotated[float, Field(gt=0, le=HARD_MAX_MINUTES)] = 30.0
    set: Annotated[tuple[Set, ...], Field(min_length=1, max_length=100)]
    easier: Ladder = ()
    harder: Ladder = ()

    @property
    def balls(self) -> int:
        """Return how many balls the drill throws in all."""
        return sum(part.balls for part in self.set)

    @model_validator(mode="after")
    def _bounded(self) -> "Drill":
        if self.balls > self.max_balls:
            raise ValueError(text("drill.max-balls", balls=self.balls))
        fastest = max(self.tempo_of(part) + part.tempo_rise_per_min for part in self.set)
        if fastest > self.max_per_min:
            raise ValueError(text("drill.max-per-min", fastest=fastest))
        for part in self.set:
            if part.lasts_s is not None and part.balls <= part.lasts_s * self.tempo_of(part) / 60:
                need = int(part.lasts_s * self.tempo_of(part) / 60) + 1
                raise ValueError(text("drill.lasts-balls", need=need, lasts_s=part.lasts_s))
        if any(part.warm_up for part in self.set[1:]):
            raise ValueError(text("drill.warm-up-first"))
        if self.set[0].warm_up and self.tempo_of(self.set[0]) > min(map(self.tempo_of, self.set)):
            raise ValueError(text("drill.warm-up-slow"))
        return self

    @model_validator(mode="after")
    def _rungs_fit(self) -> "Drill":
        known = set(self.mentions())
        for rung in (*self.easier, *self.harder):
            known |= set(rung.swap.values())
            strange = sorted(set(rung.weights) - known)
            if strange:
                raise ValueError(text("drill.weights", title=rung.title, strange=", ".join(strange)))
        return self

    def tempo_of(self, part: Set) -> float:
        """Return the tempo of a set in balls a minute: its own, else the drill's."""
        return part.tempo_per_min or self.tempo_per_min

    def variation_of(self, part: Set) -> Variation:
        """Return the variation of a set: its own, else the drill's."""
        return self.vary if part.vary is None else part.vary

    def mentions(self) -> tuple[str, ...]:
        """Return every mention of a ball, with its side, in order of first mention."""
        return tuple(dict.fromkeys(name for part in self.set for name in part.sequence.names()))

    def ball_names(self) -> tuple[str, ...]:
        """Return the names of all ball types the drill may throw, in order of first mention."""
        return tuple(dict.fromkeys(split(mention)[0] for mention in self.mentions()))


def read_drill(data: Mapping[str, Any], file: str) -> Drill:
    """Return the drill in a file's data; raise InvalidFile with every mistake in it."""
    return validate(Drill, data, file)


def with_balls(drill: Drill, balls: int) -> Drill:
    """Return the drill cut to, or with its sets repeated up to, `balls` balls. Bounds grow with it.

    A warm-up is thrown once.
    """
    again = [part for part in drill.set if not part.warm_up] or list(drill.set)
    first = drill.set if len(again) == len(drill.set) else (drill.set[0], *again)
    sets: list[Set] = []
    left, place = balls, 0
    while left > 0:
        part = first[place] if place < len(first) else again[(place - len(first)) % len(again)]
        sets.append(part if part.balls <= left else part.model_copy(update={"balls": left}))
        left -= sets[-1].balls
        place += 1
    return drill.model_copy(update={"set": tuple(sets), "max_balls": max(balls, drill.max_balls)})
