"""What may be typed next: it takes a line up to the cursor and returns completions.

Rule of this file: no I/O. Verbs, keywords and choices come from the command table; names come from the caller.
"""

import re
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass

from drillfeed.protocol.commands import COMMANDS, Argument, CommandSpec
from drillfeed.protocol.spec import Among, usage_of

Known = Mapping[Among, Sequence[str]]
_WORD = re.compile(r' *("(?:[^"\\]|\\["\\])*"?|[^ "]+)')


@dataclass(frozen=True)
class Completion:
    """A word that fits: the text, how many characters before the cursor it replaces, and a note on what it is."""

    text: str
    instead_of: int
    note: str = ""


def completions(before: str, known: Known, table: Mapping[str, CommandSpec] = COMMANDS) -> list[Completion]:
    """Return what may end `before`, the line up to the cursor; [] if any word or no word may stand there."""
    words = [match.group(1) for match in _WORD.finditer(before)]
    half = words.pop() if words and not before.endswith(" ") else ""
    if not words:
        fitting = [Completion(row.verb, len(half), row.help) for row in table.values()]
    else:
        row = table.get(words[0].lower())
        fitting = [] if row is None or row.ignores_more else list(_next_words(row, words[1:], len(half), known, table))
    return [word for word in fitting if word.text.lower().startswith(half.lower()) and word.text != half]


def _next_words(
    row: CommandSpec, words: Sequence[str], half: int, known: Known, table: Mapping[str, CommandSpec]
) -> Iterator[Completion]:
    """Follow the words as the parser does, and yield what it would take next."""
    placed = [argument for argument in row.arguments if not argument.keyed]
    keyed = {argument.name: argument for argument in row.arguments if argument.keyed}
    value_of: Argument | None = None
    for word in words:
        if value_of is not None:
            value_of = None
        elif placed and not (placed[0].optional and word.lower() in keyed):
            placed.pop(0)
        elif word.lower() in keyed:
            placed.clear()
            value_of = keyed.pop(word.lower())
    if value_of is not None:
        yield from _values(value_of, half, known, table)
        return
    if placed:
        yield from _values(placed[0], half, known, table)
    if not placed or placed[0].optional:
        yield from (
            Completion(name, half, f"{usage_of(argument)}  {argument.what}") for name, argument in keyed.items()
        )


def _values(argument: Argument, half: int, known: Known, table: Mapping[str, CommandSpec]) -> Iterator[Completion]:
    if argument.among == "commands":
        yield from (Completion(row.verb, half, row.help) for row in table.values())
    for value in (*argument.choices, *known.get(argument.among, ())):
        yield Completion(f'"{value}"' if " " in value else value, half, argument.what)
