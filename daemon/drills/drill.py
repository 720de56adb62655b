"""The drill: sets of balls, their order, tempo, rests, bounds and steps, as a TOML file says it.

Rule of this file: it holds what a coach wrote, checked for form alone. What a machine makes of it is
`drillfeed.daemon.planning`; how an order is drawn is `drillfeed.daemon.drills.orders`; what a step of the ladder
makes of a drill is `drillfeed.daemon.drills.ladder`.
"""

from collections.abc import Mapping
from typing import Annotated, Any, Literal

from pydantic import Field, model_validator

from drillfeed.daemon.drills.balls import Level, Name
from drillfeed.daemon.drills.forms import HARD_MOST_SET_BALLS, Mention, Order, QuotaOrder, Weight
from drillfeed.daemon.drills.forms import FixedOrder as FixedOrder
from drillfeed.daemon.drills.forms import RandomOrder as RandomOrder
from drillfeed.daemon.drills.orders import names_of
from drillfeed.daemon.drills.sides import split
from drillfeed.daemon.mistakes import Table, Words, validate

HARD_MOST_PER_MIN = 90.0
HARD_MOST_BALLS = 1200
HARD_MOST_MINUTES = 120.0
LEAST_START_DELAY_S = 5.0
LEAST_RESUME_DELAY_S = 3.0

Tempo = Annotated[float, Field(gt=0, le=HARD_MOST_PER_MIN)]


class Bursts(Table):
    """Balls at the tempo in bursts of `least` to `most`, each followed by a pause."""

    least: Annotated[int, Field(ge=2, le=HARD_MOST_SET_BALLS)]
    most: Annotated[int, Field(ge=2, le=HARD_MOST_SET_BALLS)]
    pause_s: Annotated[float, Field(ge=1, le=60)]

    @model_validator(mode="after")
    def _ordered(self) -> "Bursts":
        if self.least > self.most:
            raise ValueError("least not above most")
        return self


class Variation(Table):
    """Small differences from ball to ball, even on both sides of what is written; 0 leaves a thing alone.

    The time between balls differs by a share of it, the speed by m/s, the depth by cm (balls given by depth only).
    """

    tempo_share: Annotated[float, Field(ge=0, le=0.2)] = 0.0
    speed_mps: Annotated[float, Field(ge=0, le=0.5)] = 0.0
    depth_cm: Annotated[float, Field(ge=0, le=20)] = 0.0


class Set(Table):
    """Balls thrown without a rest, and the rest that follows them."""

    title: Annotated[Words, Field(max_length=80)] = ""
    balls: Annotated[int, Field(ge=1, le=HARD_MOST_SET_BALLS)]
    tempo_per_min: Tempo | None = None
    order: Order
    bursts: Bursts | None = None
    vary: Variation | None = None
    warm_up: bool = False
    rest_s: Annotated[float | None, Field(ge=1, le=600)] = None

    @model_validator(mode="after")
    def _agree(self) -> "Set":
        if isinstance(self.order, QuotaOrder) and self.balls != self.order.balls:
            raise ValueError(f"balls = {self.order.balls}, what the quotas make together")
        if self.warm_up and (not isinstance(self.order, FixedOrder) or len(set(self.order.balls)) > 1):
            raise ValueError("one kind of ball in fixed order in a set that warms up")
        return self


class Rung(Table):
    """One step of the ladder, on top of the steps before it. `title` says what it changes."""

    title: Annotated[Words, Field(min_length=1, max_length=80)]
    tempo_change_per_min: Annotated[float, Field(ge=-60, le=60)] = 0.0
    balls_change: Annotated[int, Field(ge=-HARD_MOST_SET_BALLS, le=HARD_MOST_SET_BALLS)] = 0
    weights: dict[Mention, Weight] = Field({})
    swap: dict[Mention, Mention] = Field({})

    @model_validator(mode="after")
    def _changes(self) -> "Rung":
        if not (self.tempo_change_per_min or self.balls_change or self.weights or self.swap):
            raise ValueError("a change: tempo_change_per_min, balls_change, weights or swap")
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
    most_per_min: Tempo = HARD_MOST_PER_MIN
    sides: Literal["wanted", "needed"] = "wanted"
    sidespin: Literal["wanted", "needed"] = "needed"
    vary: Variation = Variation()
    start_delay_s: Annotated[float, Field(ge=LEAST_START_DELAY_S, le=60)] = 10.0
    resume_delay_s: Annotated[float, Field(ge=LEAST_RESUME_DELAY_S, le=60)] = 5.0
    most_balls: Annotated[int, Field(ge=1, le=HARD_MOST_BALLS)] = 300
    most_minutes: Annotated[float, Field(gt=0, le=HARD_MOST_MINUTES)] = 30.0
    set: Annotated[tuple[Set, ...], Field(min_length=1, max_length=100)]
    easier: Ladder = ()
    harder: Ladder = ()

    @property
    def balls(self) -> int:
        """Return how many balls the drill throws in all."""
        return sum(one.balls for one in self.set)

    @model_validator(mode="after")
    def _bounded(self) -> "Drill":
        if self.balls > self.most_balls:
            raise ValueError(f"most_balls of at least {self.balls}, the balls of all sets together")
        fastest = max(self.tempo_of(one) for one in self.set)
        if fastest > self.most_per_min:
            raise ValueError(f"most_per_min of at least {fastest:g}, the fastest set")
        if any(one.warm_up for one in self.set[1:]):
            raise ValueError("warm_up in the first set alone")
        if self.set[0].warm_up and self.tempo_of(self.set[0]) > min(map(self.tempo_of, self.set)):
            raise ValueError("a warm-up no faster than the sets after it")
        return self

    @model_validator(mode="after")
    def _rungs_fit(self) -> "Drill":
        known = set(self.mentions())
        for rung in (*self.easier, *self.harder):
            known |= set(rung.swap.values())
            strange = sorted(set(rung.weights) - known)
            if strange:
                raise ValueError(f"weights in '{rung.title}' only for balls of the drill; not {', '.join(strange)}")
        return self

    def tempo_of(self, one: Set) -> float:
        """Return the tempo of a set in balls a minute: its own, else the drill's."""
        return one.tempo_per_min or self.tempo_per_min

    def variation_of(self, one: Set) -> Variation:
        """Return how much the balls of a set vary: by its own figures, else the drill's."""
        return self.vary if one.vary is None else one.vary

    def mentions(self) -> tuple[str, ...]:
        """Return every ball as it is mentioned, with its side, in order of first mention."""
        return tuple(dict.fromkeys(name for one in self.set for name in names_of(one.order)))

    def ball_names(self) -> tuple[str, ...]:
        """Return the names of all ball types the drill may throw, in order of first mention."""
        return tuple(dict.fromkeys(split(mention)[0] for mention in self.mentions()))


def read_drill(data: Mapping[str, Any], file: str) -> Drill:
    """Return the drill that a file says; raise FileMistakes with every mistake in it."""
    return validate(Drill, data, file)


def with_balls(drill: Drill, balls: int) -> Drill:
    """Return the drill cut to, or with its sets repeated up to, `balls` balls. Bounds grow with it.

    A warm-up is thrown once.
    """
    again = [one for one in drill.set if not one.warm_up] or list(drill.set)
    first = drill.set if len(again) == len(drill.set) else (drill.set[0], *again)
    sets: list[Set] = []
    left, k = balls, 0
    while left > 0:
        one = first[k] if k < len(first) else again[(k - len(first)) % len(again)]
        sets.append(one if one.balls <= left else one.model_copy(update={"balls": left}))
        left -= sets[-1].balls
        k += 1
    return drill.model_copy(update={"set": tuple(sets), "most_balls": max(balls, drill.most_balls)})
