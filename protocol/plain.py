"""Text of others, made fit to be shown: the one function that every printer uses, and the same for a CSV cell.

Rule of this file: no control character, no bidi or other format character and nothing of no width passes, whoever wrote
it: a driver, a player, a drill's file, a client, a journal of last year. A screen, a log, a file or a page then
shows what is there, on the line where it stands.
"""

import re

SHOWN_INSTEAD = "\ufffd"
# Letters, marks and signs that Unicode calls printable and that show nothing, or change what stands before them.
_INVISIBLE = re.compile(
    "[\u034f\u115f\u1160\u17b4\u17b5\u180b-\u180f\u2800\u3164\ufe00-\ufe0f\uffa0\U000e0000-\U000e0fff]"
)
_BLANK = re.compile("[\x00-\x1f\x7f-\x9f]")
_FIGURE = re.compile(r"[+-]?[0-9]+(\.[0-9]+)?")
# Spreadsheets take a cell that begins so for a formula; the wide forms too.
FORMULA = ("=", "+", "-", "@", "|", "%", "\uff1d", "\uff0b", "\uff0d", "\uff20")


def plain(text: str) -> str:
    """Return text as one line: white space and control characters as blanks, what shows nothing as U+FFFD."""
    if text.isascii() and text.isprintable():
        return text
    return "".join(map(_shown, text))


def _shown(character: str) -> str:
    if character == " " or (character.isprintable() and not _INVISIBLE.match(character)):
        return character
    return " " if character.isspace() or _BLANK.match(character) else SHOWN_INSTEAD


def plain_lines(text: str) -> str:
    """Return text of several lines with each of them plain."""
    return "\n".join(map(plain, text.split("\n")))


def plain_deep(value: object) -> object:
    """Return a value with every text in its dicts, lists and tuples made plain."""
    if isinstance(value, str):
        return plain(value)
    if isinstance(value, dict):
        return {plain_deep(key): plain_deep(part) for key, part in value.items()}
    if isinstance(value, (list, tuple)):
        return type(value)(plain_deep(part) for part in value) if type(value) in (list, tuple) else value
    return value


def cell(value: object) -> object:
    """Return a value as a CSV cell: numbers and None as they are, text plain and never the beginning of a formula."""
    if value is None or isinstance(value, (int, float)):
        return value
    text = plain(str(value))
    begins = text.lstrip(" '\"").startswith(FORMULA)
    return f"'{text}" if begins and not _FIGURE.fullmatch(text) else text
