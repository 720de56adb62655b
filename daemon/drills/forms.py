"""The forms an order of balls can be written in; what they mean stands beside `drillfeed.daemon.drills.orders`.

Rule of this file: form alone. A ball is mentioned as `BALL` or as `BALL to SIDE`, and a mention is the name that
orders, pairs and weights go by.
"""

from typing import Annotated, Any, Literal

from pydantic import AfterValidator, Discriminator, Field, Tag, model_validator

from drillfeed.daemon.drills.sides import MENTION, as_mention
from drillfeed.daemon.mistakes import Table

HARD_MOST_SET_BALLS = 120
Mention = Annotated[str, AfterValidator(as_mention), Field(json_schema_extra={"pattern": MENTION})]
Weight = Annotated[float, Field(gt=0, le=1e6)]
Share = Annotated[float, Field(gt=0, le=1)]
Alike = Annotated[int, Field(ge=1, le=HARD_MOST_SET_BALLS)]
First = Literal["easiest", "drawn"]
Row = Annotated[tuple[Mention, ...], Field(min_length=1, max_length=HARD_MOST_SET_BALLS)]


class FixedOrder(Table):
    """The balls one after another as written, from the beginning again when all are thrown."""

    kind: Literal["fixed"]
    balls: Row
    first: Literal["written", "easiest"] = "written"


class RotatingOrder(Table):
    """The balls as written; each repetition begins one ball further."""

    kind: Literal["rotating"]
    balls: Row


class RandomOrder(Table):
    """Each ball drawn by weight, with rules.

    Never more than `most_alike` in a row; never a pair listed in `never`; after a ball of `after` its followers
    have the shares written there, and the rest goes by weight among the others.
    """

    kind: Literal["random"]
    weights: Annotated[dict[Mention, Weight], Field(min_length=1, max_length=HARD_MOST_SET_BALLS)]
    most_alike: Alike = HARD_MOST_SET_BALLS
    never: tuple[tuple[Mention, Mention], ...] = ()
    after: dict[Mention, Annotated[dict[Mention, Share], Field(min_length=1)]] = Field({})
    first: First = "easiest"

    @model_validator(mode="after")
    def _known(self) -> "RandomOrder":
        _only_of(self.weights, {name for pair in self.never for name in pair}, "never")
        _only_of(self.weights, {*self.after, *(name for row in self.after.values() for name in row)}, "after")
        for last, row in self.after.items():
            if sum(row.values()) > 1 + 1e-9:
                raise ValueError(f"shares after {last} that make 1 or less together; these make {sum(row.values()):g}")
            barred = sorted(name for name in row if (last, name) in self.never)
            if barred:
                raise ValueError(f"{barred[0]} after {last} either in `after` or in `never`, not in both")
        return self


class QuotaOrder(Table):
    """Each ball exactly as often as its quota says, shuffled; never more than `most_alike` in a row."""

    kind: Literal["quota"]
    quota: Annotated[
        dict[Mention, Annotated[int, Field(ge=1, le=HARD_MOST_SET_BALLS)]],
        Field(min_length=1, max_length=HARD_MOST_SET_BALLS),
    ]
    most_alike: Alike = HARD_MOST_SET_BALLS
    first: First = "easiest"

    @property
    def balls(self) -> int:
        """Return how many balls the quotas make together."""
        return sum(self.quota.values())


class Wait(Table):
    """The next ball leaves this long after the one before it, instead of at the tempo."""

    wait_s: Annotated[float, Field(ge=0.5, le=60)]


class Repeat(Table):
    """Parts played several times over."""

    times: Annotated[int, Field(ge=1, le=HARD_MOST_SET_BALLS)]
    parts: "Parts"


class Choice(Table):
    """One of several rows of parts, drawn each time: alike often, or by weight."""

    one_of: Annotated[tuple["Parts", ...], Field(min_length=2, max_length=20)]
    weights: tuple[Weight, ...] | None = None

    @model_validator(mode="after")
    def _paired(self) -> "Choice":
        if self.weights is not None and len(self.weights) != len(self.one_of):
            raise ValueError(f"as many weights as choices, {len(self.one_of)}")
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
Parts = Annotated[tuple[Part, ...], Field(min_length=1, max_length=HARD_MOST_SET_BALLS)]


class ScenarioOrder(Table):
    """Balls, waits, repetitions and choices, nested, and from the beginning again at the end."""

    kind: Literal["scenario"]
    parts: Parts

    @model_validator(mode="after")
    def _throws(self) -> "ScenarioOrder":
        if not _every_way_throws(self.parts):
            raise ValueError("a ball in every repetition and in every choice; one holds waits alone")
        return self


Repeat.model_rebuild()
Choice.model_rebuild()

Order = Annotated[
    FixedOrder | RotatingOrder | RandomOrder | QuotaOrder | ScenarioOrder,
    Field(discriminator="kind"),
]


def _only_of(known: Any, used: set[str], where: str) -> None:
    strange = sorted(used - set(known))
    if strange:
        raise ValueError(f"only balls that have a weight in `{where}`; not {', '.join(strange)}")


def _every_way_throws(parts: tuple[Any, ...]) -> bool:
    rows = [row for part in parts for row in rows_inside(part)]
    return any(not isinstance(part, Wait) for part in parts) and all(map(_every_way_throws, rows))


def rows_inside(part: Any) -> tuple[tuple[Any, ...], ...]:
    """Return the rows of parts that one part of a scenario holds; none for a ball or a wait."""
    if isinstance(part, Repeat):
        return (part.parts,)
    return part.one_of if isinstance(part, Choice) else ()
