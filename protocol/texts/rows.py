"""What a row of the catalogue may be: a template, a template in several plural forms, or a refusal.

Templates are filled in by `str.format`; every placeholder has a name. A language may move placeholders about, and must
use the same ones as English.
"""

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Literal

PluralForm = Literal["one", "few", "many", "other"]


@dataclass(frozen=True)
class Forms:
    """A text in which a number changes a word; the value `count` decides, by the rule of the language.

    A form that a language lacks is None, and `other` stands in for it.
    """

    other: str
    one: str | None = None
    few: str | None = None
    many: str | None = None

    def form(self, form: PluralForm) -> str:
        """Return the template for a plural form."""
        found = {"one": self.one, "few": self.few, "many": self.many, "other": self.other}[form]
        return self.other if found is None else found


Row = str | Forms


@dataclass(frozen=True)
class RefusalText:
    """Why a command is refused: what is wrong, what was expected and found, and what to do.

    `code` is a key of `protocol.errors.CODES`. The other parts are templates; a part that a refusal lacks stays empty.
    """

    code: str
    what: str
    expected: str = ""
    found: str = ""
    do: str = ""


@dataclass(frozen=True)
class Language:
    """All rows of one language by their ids, and its rule of plurals: the form for a number."""

    texts: Mapping[str, Row]
    refusals: Mapping[str, RefusalText]
    plural: Callable[[float], PluralForm]
