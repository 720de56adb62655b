"""Answers as people type them: a figure with its plus-minus, a guess, a default, a choice; and what is wrong with one.

Rule of this file: pure. `as_typed` alone reads text, from a terminal and from a file of answers alike.
"""

import re
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Literal

from drillfeed.daemon.known import Basis
from drillfeed.daemon.validation import shortened

Kind = Literal["number", "choice", "yes-no", "words"]
SYNTAX = """\
  57          a figure as you read it        57 +- 0.5   how far off the reading may be
  about 57    a guess                        (Enter)     I don't know: the default
  57 !        yes, I am sure                 ?           this text
  back        the question before            quit        leave; next time goes on from here"""
_FIGURE = re.compile(
    r"(?P<guess>~|about\s+|guess\s+)?(?P<value>[-+]?\d+(?:[.,]\d+)?)\s*(?P<unit>[^\d\s+±!][^\d+±!]*?)?\s*"
    r"(?:(?:\+-|\+/-|±)\s*(?P<off>\d+(?:[.,]\d+)?)\s*(?P<off_unit>[^\d\s!][^\d!]*?)?)?\s*(?P<sure>!)?",
)
_THOUSANDS = re.compile(r"\d,\d{3}(?!\d)")
YES, NO = "yes", "no"
_YES_NO = {"y": YES, "yes": YES, "n": NO, "no": NO}


@dataclass(frozen=True)
class Answer:
    """Hold one answer: a figure in the unit of the question, or a word; and on what basis it was given."""

    value: float | str
    basis: Basis = "measured"
    plus_minus: float | None = None
    when: str | None = None
    sure: bool = False
    text: str = ""

    @property
    def number(self) -> float:
        """Return the figure; only for questions of that kind."""
        assert isinstance(self.value, float)
        return self.value


class NotUnderstood(ValueError):
    """An answer can't be used; the text says why and what is expected."""


@dataclass(frozen=True)
class Question:
    """Hold one question: what is asked, how it is measured and with what, and what an empty answer stands for.

    `usual` is the answer that stands for Enter; without it the question must be answered. `reading` is the plus-minus
    of a careful reading in the unit of the question. The question is asked only if each answer in `when` is as given
    there. `jog` is the question whose answer a held key may drive the tilt to, for measuring.
    """

    id: str
    section: str
    text: str
    how: str
    kind: Kind = "number"
    unit: str = ""
    tool: str = ""
    usual: str | None = None
    reading: float = 0.0
    low: float = 0.0
    high: float = 1e6
    choices: Mapping[str, str] = field(default_factory=dict)
    when: Mapping[str, tuple[str, ...]] = field(default_factory=dict)
    jog: str = ""


def as_typed(question: Question, text: str, when: str | None = None) -> Answer:
    """Return the answer in a text; raise NotUnderstood. `when` is the day on which it was given, as YYYY-MM-DD."""
    said = text.strip()
    if not said or said.lower() in ("default", "don't know"):
        if question.usual is None:
            raise NotUnderstood("this one has no default, and a guess will do: about 57")
        given = as_typed(question, question.usual)
        return Answer(given.value, "default", given.plus_minus, when, True, "")
    if question.kind == "number":
        return _figure(question, said, when)
    if question.kind == "words":
        return Answer(shortened(said, 120), when=when, text=said)
    known = _YES_NO if question.kind == "yes-no" else {name: name for name in question.choices}
    by_number = {str(number): name for number, name in enumerate(question.choices, 1)}
    found = known.get(said.lower()) or by_number.get(said)
    if found is None:
        wanted = "yes or no" if question.kind == "yes-no" else ", ".join(question.choices)
        raise NotUnderstood(f"{shortened(said, 30)!r} is none of the answers; type {wanted}")
    return Answer(found, when=when, text=said)


def _figure(question: Question, said: str, when: str | None) -> Answer:
    if _THOUSANDS.search(said):
        raise NotUnderstood(f"{shortened(said, 30)}: write thousands without a comma, or a decimal with a point")
    found = _FIGURE.fullmatch(said)
    if found is None:
        raise NotUnderstood(f"{shortened(said, 30)!r} is no figure; type for example: 57, 57 +- 0.5 or about 57")
    for unit in (found["unit"], found["off_unit"]):
        if unit and question.unit and _plain_unit(unit) != _plain_unit(question.unit):
            raise NotUnderstood(f"the answer is in {unit.strip()}; this one is asked in {question.unit}")
    value = float(found["value"].replace(",", "."))
    if not question.low <= value <= question.high:
        raise NotUnderstood(f"{value:g}; expected {question.low:g} to {question.high:g} {question.unit}".rstrip())
    off = None if found["off"] is None else float(found["off"].replace(",", "."))
    guess = found["guess"] is not None
    if off is None and not guess and question.reading:
        off = question.reading
    return Answer(value, "guessed" if guess else "measured", off, when, found["sure"] is not None, said)


def _plain_unit(unit: str) -> str:
    word = unit.strip().lower().rstrip("s.")
    same = {"degree": "deg", "°": "deg", "second": "", "sec": "", "": "", "gram": "g", "volt": "v"}
    return same.get(word, word)
