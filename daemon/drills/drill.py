"""The drill: sets of balls, their order, tempo, rests and bounds, as a TOML file says it.

Rule of this file: it holds what a coach wrote, checked for form alone. What a machine makes of it is
`drillfeed.daemon.planning`; how an order is drawn is `drillfeed.daemon.drills.orders`.
"""

from collections.abc import Mapping
from typing import Annotated, Any, Literal

from pydantic import Field, model_validator

from drillfeed.daemon.drills.balls import Level, Name
from drillfeed.daemon.mistakes import Table, validate

HARD_MOST_PER_MIN = 90.0
HARD_MOST_SET_BALLS = 120
HARD_MOST_BALLS = 1200
HARD_MOST_MINUTES = 120.0
LEAST_START_DELAY_S = 5.0
LEAST_RESUME_DELAY_S = 3.0

Tempo = Annotated[float, Field(gt=0, le=HARD_MOST_PER_MIN)]


class FixedOrder(Table):
    """The balls one after another as written, from the beginning again when all are thrown."""

    kind: Literal["fixed"]
    balls: Annotated[tuple[Name, ...], Field(min_length=1, max_length=HARD_MOST_SET_BALLS)]


class RandomOrder(Table):
    """Each ball drawn by weight; never more than `most_alike` in a row; never a pair listed in `never`."""

    kind: Literal["random"]
    weights: Annotated[dict[Name, Annotated[float, Field(gt=0, le=1e6)]], Field(min_length=1)]
    most_alike: Annotated[int, Field(ge=1, le=HARD_MOST_SET_BALLS)] = HARD_MOST_SET_BALLS
    never: tuple[tuple[Name, Name], ...] = ()
    first: Literal["easiest", "drawn"] = "easiest"

    @model_validator(mode="after")
    def _known(self) -> "RandomOrder":
        strange = sorted({name for pair in self.never for name in pair} - set(self.weights))
        if strange:
            raise ValueError(f"only balls that have a weight in `never`; not {', '.join(strange)}")
        return self


Order = Annotated[FixedOrder | RandomOrder, Field(discriminator="kind")]


class Set(Table):
    """Balls thrown without a rest, and the rest that follows them."""

    title: Annotated[str, Field(max_length=80)] = ""
    balls: Annotated[int, Field(ge=1, le=HARD_MOST_SET_BALLS)]
    tempo_per_min: Tempo | None = None
    order: Order
    rest_s: Annotated[float | None, Field(ge=1, le=600)] = None


class Drill(Table):
    """A whole drill. A set without `rest_s` is followed by a rest that waits for the player."""

    name: Name
    title: Annotated[str, Field(max_length=120)]
    trains: Annotated[str, Field(max_length=300)] = ""
    move_on: Annotated[str, Field(max_length=300)] = ""
    level: Level
    tempo_per_min: Tempo
    start_delay_s: Annotated[float, Field(ge=LEAST_START_DELAY_S, le=60)] = 10.0
    resume_delay_s: Annotated[float, Field(ge=LEAST_RESUME_DELAY_S, le=60)] = 5.0
    most_balls: Annotated[int, Field(ge=1, le=HARD_MOST_BALLS)] = 300
    most_minutes: Annotated[float, Field(gt=0, le=HARD_MOST_MINUTES)] = 30.0
    set: Annotated[tuple[Set, ...], Field(min_length=1, max_length=100)]

    @property
    def balls(self) -> int:
        """Return how many balls the drill throws in all."""
        return sum(one.balls for one in self.set)

    @model_validator(mode="after")
    def _bounded(self) -> "Drill":
        if self.balls > self.most_balls:
            raise ValueError(f"most_balls of at least {self.balls}, the balls of all sets together")
        return self

    def ball_names(self) -> tuple[str, ...]:
        """Return the names of all ball types the drill may throw, in order of first mention."""
        names: dict[str, None] = {}
        for one in self.set:
            order = one.order
            names.update(dict.fromkeys(order.balls if isinstance(order, FixedOrder) else order.weights))
        return tuple(names)


def read_drill(data: Mapping[str, Any], file: str) -> Drill:
    """Return the drill that a file says; raise FileMistakes with every mistake in it."""
    return validate(Drill, data, file)


def with_balls(drill: Drill, balls: int) -> Drill:
    """Return the drill cut to, or with its sets repeated up to, `balls` balls. Bounds grow with it."""
    sets: list[Set] = []
    left, k = balls, 0
    while left > 0:
        one = drill.set[k % len(drill.set)]
        sets.append(one.model_copy(update={"balls": min(one.balls, left)}))
        left -= sets[-1].balls
        k += 1
    return drill.model_copy(update={"set": tuple(sets), "most_balls": max(balls, drill.most_balls)})
