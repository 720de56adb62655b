"""Mistakes in files, reported all at once: which file, which key, what was found, what is allowed."""

import difflib
import reprlib
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Annotated, Any, TypeVar

from pydantic import AfterValidator, BaseModel, ConfigDict, ValidationError

from drillfeed.protocol.plain import plain
from drillfeed.protocol.texts.catalogue import text

Words = Annotated[str, AfterValidator(plain)]
"""Text for people in somebody's file; it is made plain when it is read."""
_Model = TypeVar("_Model", bound=BaseModel)
MAX_MISTAKES = 50
MAX_SHOWN, MAX_SAID = 60, 400
_REPR = reprlib.Repr()
_REPR.maxlevel, _REPR.maxdict, _REPR.maxlist, _REPR.maxtuple = 4, 8, 20, 20
_REPR.maxstring, _REPR.maxlong, _REPR.maxother = MAX_SHOWN, MAX_SHOWN, MAX_SHOWN


class Table(BaseModel):
    """A table of a TOML file: immutable, without unknown keys, NaN or infinity."""

    model_config = ConfigDict(frozen=True, extra="forbid", allow_inf_nan=False)


@dataclass(frozen=True)
class FileError:
    """One thing wrong in one file."""

    file: str
    key: str
    found: str
    allowed: str

    def __str__(self) -> str:
        """Return the mistake as one line."""
        return plain(text("file.error", file=self.file, key=self.key, found=self.found, allowed=self.allowed))


class InvalidFile(Exception):
    """A file cannot be used; `mistakes` holds every reason, not only the first, up to `MAX_MISTAKES`."""

    def __init__(self, mistakes: list[FileError]) -> None:
        self.errors = mistakes
        super().__init__("\n".join(str(mistake) for mistake in mistakes))

    def __reduce__(self) -> tuple[type["InvalidFile"], tuple[list[FileError]]]:
        """Support pickling, so that the exception can pass between processes."""
        return type(self), (self.errors,)


RENAMED_KEYS = {
    "order": "sequence",
    "most_alike": "max_alike",
    "most_per_min": "max_per_min",
    "most_balls": "max_balls",
    "most_minutes": "max_minutes",
    "most_set_balls": "max_set_balls",
    "most_ball_level": "max_ball_level",
    "most_mps": "max_mps",
    "most_rim_mps": "max_rim_mps",
    "least_share": "min_share",
    "phase_error_most": "max_phase_error",
    "least": "min_balls",
    "most": "max_balls",
}
"""Old names of keys that files may still use; each is refused with its new name."""


def _allowed(error: Mapping[str, Any], model: type[BaseModel]) -> str:
    kind, context = error["type"], error.get("ctx", {})
    known = {
        "extra_forbidden": _unknown_key(error["loc"], model),
        "missing": text("file.missing"),
        "greater_than": text("file.more-than", bound=context.get("gt")),
        "greater_than_equal": text("file.or-more", bound=context.get("ge")),
        "less_than": text("file.less-than", bound=context.get("lt")),
        "less_than_equal": text("file.or-less", bound=context.get("le")),
        "literal_error": str(context.get("expected")),
        "finite_number": text("file.finite"),
    }
    if kind in known:
        return known[kind]
    said = str(error["msg"]).removeprefix("Value error, ").removeprefix("Input should be ")
    return shortened(said, MAX_SAID)


def _unknown_key(place: tuple[Any, ...], model: type[BaseModel]) -> str:
    """Return the new name of a renamed key, or else suggest a similar key at the top level of the file."""
    if place and place[-1] in RENAMED_KEYS:
        return text("file.renamed", key=RENAMED_KEYS[place[-1]])
    close = (
        difflib.get_close_matches(str(place[0])[:MAX_SHOWN], list(model.model_fields), n=1) if len(place) == 1 else []
    )
    return text("file.no-such-key") + (text("file.perhaps", key=close[0]) if close else "")


def _found(error: Mapping[str, Any]) -> str:
    if error["type"] == "missing":
        return "nothing"
    return shortened(_REPR.repr(error.get("input")))


def shortened(text: str, max_length: int = MAX_SHOWN) -> str:
    """Return a text, cut to `max_length` characters."""
    return text if len(text) <= max_length else text[: max_length - 3] + "..."


def validate(model: type[_Model], data: Mapping[str, Any], file: str) -> _Model:
    """Build `model` from the data of `file`, or raise InvalidFile with every mistake in it."""
    try:
        return model.model_validate(data)
    except ValidationError as error:
        mistakes = []
        found = error.errors(include_url=False)
        details = found[:MAX_MISTAKES]
        # For a row with a wrong item pydantic also reports "too short", since it does not count that item.
        inside = {detail["loc"][:-1] for detail in details}
        for detail in details:
            if detail["type"] == "too_short" and any(place[: len(detail["loc"])] == detail["loc"] for place in inside):
                continue
            key = ".".join(shortened(str(part)) for part in detail["loc"]) or "(whole file)"
            mistakes.append(FileError(file, key, _found(detail), _allowed(detail, model)))
        if len(found) > len(details):
            more = text("file.more-mistakes", mistakes=len(found) - len(details))
            mistakes.append(FileError(file, "(whole file)", more, text("file.mend-first")))
        raise InvalidFile(mistakes) from None
