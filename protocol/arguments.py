"""The words of a line read as the arguments of a row, and written back.

Rule of this file: it knows kinds of arguments, not commands; every refusal shows how the command is
written and what was found.
"""

import re

from drillfeed.protocol.errors import Refused, refuse
from drillfeed.protocol.spec import Argument, CommandSpec, Value, usage, usage_of
from drillfeed.protocol.texts.catalogue import text

MAX_NAME_CHARACTERS = 255
MAX_INTEGER_DIGITS = 12

_TOKEN = re.compile(r' *(?:"((?:[^"\\]|\\["\\])*)"|([^ "]+))(?= |$)')
_INTEGER = re.compile(rf"[+-]?[0-9]{{1,{MAX_INTEGER_DIGITS}}}")
_NUMBER = re.compile(r"([+-]?[0-9]{1,9}(?:\.[0-9]{1,9})?)(.*)")
_BARE_NAME = re.compile(r'[^ "]+')


def _words(rest: str, spec: CommandSpec) -> list[tuple[str, bool]]:
    words: list[tuple[str, bool]] = []
    position = 0
    while position < len(rest):
        match = _TOKEN.match(rest, position)
        if match is None:
            raise _bad(spec, text("argue.quote"), shown(rest.strip(" ")))
        quoted, bare = match.groups()
        words.append((bare, False) if bare is not None else (re.sub(r"\\(.)", r"\1", quoted), True))
        position = match.end()
    return words


def read_arguments(line: str, spec: CommandSpec) -> dict[str, Value]:
    """Read what stands after the verb; raises Refused (bad-argument) and takes nothing then."""
    given: dict[str, Value] = {}
    placed = [argument for argument in spec.arguments if not argument.keyed]
    keyed = {argument.name: argument for argument in spec.arguments if argument.keyed}
    rest = _words(line, spec)
    while rest:
        word, quoted = rest.pop(0)
        keyword = "" if quoted else word.lower()
        if placed and not (placed[0].optional and keyword in keyed):
            argument = placed.pop(0)
        elif keyword in keyed:
            placed.clear()
            argument = keyed.pop(keyword)
            if not rest:
                raise _bad(spec, text("argue.no-value", name=argument.name), text("argue.end-of-line"))
            word, quoted = rest.pop(0)
        else:
            raise _bad(spec, text("argue.too-many"), shown(word))
        given[argument.name] = _read(argument, word, quoted, spec)
    missing = [argument for argument in (*placed, *keyed.values()) if not argument.optional]
    if missing:
        raise _bad(
            spec, text("argue.missing", usage=usage_of(missing[0]), what=missing[0].what), text("argue.end-of-line")
        )
    return {argument.name: given[argument.name] for argument in spec.arguments if argument.name in given}


def _read(argument: Argument, word: str, quoted: bool, spec: CommandSpec) -> Value:
    if argument.kind == "name":
        if not 1 <= len(word) <= MAX_NAME_CHARACTERS:
            raise _bad(
                spec, text("argue.length", name=argument.name, max_characters=MAX_NAME_CHARACTERS), f"{len(word)}"
            )
        return word
    if quoted:
        raise _bad(spec, text("argue.not-quoted", name=argument.name), shown(word))
    if argument.kind == "choice":
        if word.lower() not in argument.choices:
            raise _bad(spec, text("argue.choice", name=argument.name, choices=", ".join(argument.choices)), shown(word))
        return word.lower()
    value: int | float
    if argument.kind == "integer":
        if _INTEGER.fullmatch(word) is None:
            raise _bad(spec, text("argue.whole", name=argument.name, range=_range_of(argument)), shown(word))
        value = int(word)
    else:
        match = _NUMBER.fullmatch(word)
        if match is None or match.group(2) not in ("", argument.unit):
            raise _bad(spec, text("argue.number", name=argument.name, range=_range_of(argument)), shown(word))
        value = float(match.group(1))
    low, high = argument.minimum, argument.maximum
    if (low is not None and value < low) or (high is not None and value > high):
        raise _bad(spec, text("argue.outside", name=argument.name, range=_range_of(argument)), word)
    return value


def _bad(spec: CommandSpec, what: str, found: str) -> Refused:
    return refuse("argue.bad", what=what, usage=usage(spec), found=found, verb=spec.verb)


def _range_of(argument: Argument) -> str:
    ends = []
    if argument.minimum is not None:
        ends.append(text("argue.from", low=argument.minimum))
    if argument.maximum is not None:
        ends.append(text("argue.to", high=argument.maximum))
    return " ".join([*ends, *([argument.unit] if argument.unit else [])]).strip()


def _quoted(text: str, keywords: frozenset[str]) -> str:
    if _BARE_NAME.fullmatch(text) and text.lower() not in keywords:
        return text
    escaped = text.replace("\\", "\\\\").replace('"', '\\"')
    return f'"{escaped}"'


def _plain(value: int | float) -> str:
    return str(value) if isinstance(value, int) else f"{value:.9f}".rstrip("0").rstrip(".")


def shown(text: str) -> str:
    """Put what a client wrote in single quotes, shortened, for use in a refusal."""
    return f"'{text[:40]}...'" if len(text) > 40 else f"'{text}'"


def write_argument(argument: Argument, value: Value, keywords: frozenset[str] = frozenset()) -> list[str]:
    """Write one argument as the words that read back as `value`; a name that is a keyword is put in quotes."""
    written = _quoted(value, keywords) if isinstance(value, str) else _plain(value)
    return [argument.name, written] if argument.keyed else [written]
