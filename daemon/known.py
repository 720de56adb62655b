"""How well a value of a machine profile is known: measured, guessed or left at its default.

Rule of this file: a profile says it for each of its keys in `[known]`, by the key's path in the file:

    [known]
    "wheels.diameter_mm" = { basis = "measured", how = "ruler across the tyre", when = "2026-11-28", plus_minus = 0.5 }

`plus_minus` has the unit of the key, and nineteen in twenty true values lie within it.
"""

import datetime
from typing import Annotated, Any, Literal

from pydantic import AfterValidator, BaseModel, Field

from drillfeed.daemon.validation import Table, Words

Basis = Literal["measured", "guessed", "default"]
PLUS_MINUS_TO_SD = 0.5  # nineteen in twenty of a normal distribution lie within two deviations (textbook)


def _as_day(text: str) -> str:
    """Return the text of a day; raise ValueError if there is no such date."""
    datetime.date.fromisoformat(text)
    return text


class Known(Table):
    """How one value is known: on what basis, measured how and when, and how far off it may be."""

    basis: Basis
    how: Annotated[Words, Field(max_length=160)] = ""
    when: Annotated[
        Annotated[str, Field(pattern=r"^20\d{2}-\d{2}-\d{2}$"), AfterValidator(_as_day)] | None,
        Field(description="the day on which it was measured or guessed"),
    ] = None
    plus_minus: Annotated[
        float | None, Field(ge=0, description="in the unit of the key: nineteen in twenty lie within it")
    ] = None

    @property
    def sd(self) -> float | None:
        """Return the standard deviation in the unit of the key, None if it was not told."""
        return None if self.plus_minus is None else PLUS_MINUS_TO_SD * self.plus_minus

    @property
    def text(self) -> str:
        """Return it in words, for listings."""
        about = ", ".join(part for part in (self.how, self.when or "") if part)
        return f"{self.basis} ({about})" if about else self.basis


def has_key(model: type[BaseModel], path: str) -> bool:
    """Tell whether a dotted path names a key of a file of this model; `wheels` stands for both wheels."""
    head, _, rest = path.partition(".")
    if head == "wheels":
        side, _, key = rest.partition(".")
        return has_key(model, f"{side}.{key}" if side in ("top", "bottom") else f"top.{rest}")
    if head not in model.model_fields:
        return False
    inner = _table_in(model.model_fields[head].annotation)
    return has_key(inner, rest) if inner is not None and rest else inner is None and not rest


def _table_in(annotation: Any) -> type[BaseModel] | None:
    """Return the table behind an annotation such as `AngleAxis | None`, else None."""
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        return annotation
    found = (_table_in(part) for part in getattr(annotation, "__args__", ()))
    return next((table for table in found if table is not None), None)


def places_of(path: str) -> tuple[str, ...]:
    """Return the paths under which a value may be marked: for a wheel its own, then that of both wheels."""
    head, _, rest = path.partition(".")
    if head == "wheels" and rest.partition(".")[0] in ("top", "bottom"):
        side, _, key = rest.partition(".")
        return path, f"{side}.{key}", f"wheels.{key}"
    return (path,)
