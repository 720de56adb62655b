"""Look a text up by its id and fill in its values.

Rule of this file: it holds no text. A language is a folder of this package, named by its code, whose `__init__.py`
offers a `LANGUAGE`. What a language lacks is told in English. The language is chosen once, where a process begins;
therefore no text may be looked up while modules are imported, and a test refuses that.
"""

import importlib
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path

from drillfeed.protocol.texts.en import LANGUAGE as ENGLISH
from drillfeed.protocol.texts.rows import Forms, Language, RefusalText

ENGLISH_CODE = "en"


@dataclass(frozen=True)
class Catalogue:
    """The texts of one language, with English where it has none."""

    language: Language

    def text(self, name: str, /, **values: object) -> str:
        """Return a text, filled in; raise KeyError if there is none, or if a value is missing."""
        own = self.language.texts.get(name)
        language = ENGLISH if own is None else self.language
        row = language.texts[name]
        if isinstance(row, Forms):
            count = values["count"]
            assert isinstance(count, int | float), f"{name}: count is no number"
            row = row.form(language.plural(count))
        return row.format(**values)

    def refusal(self, name: str, /, **values: object) -> RefusalText:
        """Return a refusal, all its parts filled in; raise KeyError as `text` does."""
        row = self.language.refusals.get(name) or ENGLISH.refusals[name]
        parts = (part.format(**values) for part in (row.what, row.expected, row.found, row.do))
        return RefusalText(row.code, *parts)


def languages() -> tuple[str, ...]:
    """Return the codes of all languages there are, in order of the alphabet."""
    return tuple(sorted(path.parent.name for path in Path(__file__).parent.glob("??/__init__.py")))


@lru_cache
def catalogue(language: str = ENGLISH_CODE) -> Catalogue:
    """Return the catalogue of a language by its code, such as `en`; raise KeyError if there is no such language."""
    if language not in languages():
        raise KeyError(language)
    return Catalogue(importlib.import_module(f"drillfeed.protocol.texts.{language}").LANGUAGE)


class _Chosen:
    """The one language of this process."""

    catalogue = Catalogue(ENGLISH)


def speak(language: str) -> None:
    """Choose the language of this process; raise KeyError if there is no such language."""
    _Chosen.catalogue = catalogue(language)


def text(name: str, /, **values: object) -> str:
    """Return a text in the language of this process, filled in; raise KeyError as `Catalogue.text` does."""
    return _Chosen.catalogue.text(name, **values)


def ids() -> tuple[str, ...]:
    """Return the ids of all texts but refusals."""
    return tuple(ENGLISH.texts)


def template(name: str) -> str:
    """Return a text in the language of this process as it stands, its placeholders in braces; KeyError as `text`."""
    row = _Chosen.catalogue.language.texts.get(name) or ENGLISH.texts[name]
    return row if isinstance(row, str) else row.other


def refusal_text(name: str, /, **values: object) -> RefusalText:
    """Return a refusal in the language of this process, all its parts filled in; raise KeyError as `text` does."""
    return _Chosen.catalogue.refusal(name, **values)
