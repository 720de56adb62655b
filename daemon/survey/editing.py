"""Changes single keys of a profile's text, so that the builder's own lines and comments stay as they are.

Rule of this file: pure. The changed text must read back as the data that was meant; otherwise the file is written anew.
"""

import copy
import re
from collections.abc import Callable, Mapping, Sequence
from typing import Any

from drillfeed.daemon.survey.keys import Key
from drillfeed.daemon.survey.texts import known_line, toml_value
from drillfeed.daemon.validation import InvalidFile

KNOWN = "known"


def edited(
    text: str, keys: Sequence[Key], gone: Sequence[str], read: Callable[[str], dict[str, Any]]
) -> tuple[str, bool]:
    """Return a profile's text with some keys changed and others gone, and whether the rest of its lines are kept.

    If a line can't be changed in place, the whole file is written anew from its data, without comments. `read`
    returns the data of a text, or raises InvalidFile.
    """
    meant = read(text)
    for path in gone:
        _drop(meant, path)
    for key in keys:
        _put(meant, key.path, key.value)
        if key.known is not None:
            marks = meant.setdefault(KNOWN, {})
            marks[key.path] = key.known.model_dump(exclude_none=True, exclude_defaults=True)
    lines = text.splitlines()
    for path in gone:
        table, _, name = path.rpartition(".")
        _remove(lines, table, re.escape(name))
        _remove(lines, KNOWN, re.escape(f'"{path}"'))
    for key in keys:
        table, _, name = key.path.rpartition(".")
        _set(lines, table, re.escape(name), f"{name} = {toml_value(key.value)}")
        if key.known is not None:
            _set(lines, KNOWN, re.escape(f'"{key.path}"'), known_line(key.path, key.known))
    changed = "\n".join(lines) + "\n"
    try:
        in_place = read(changed) == meant
    except InvalidFile:
        in_place = False
    return (changed, True) if in_place else (written(meant), False)


def _put(data: dict[str, Any], path: str, value: Any) -> None:
    *tables, name = path.split(".")
    for table in tables:
        data = data.setdefault(table, {})
    data[name] = value


def _drop(data: dict[str, Any], path: str) -> None:
    data.get(KNOWN, {}).pop(path, None)
    *tables, name = path.split(".")
    for table in tables:
        data = data.get(table, {})
    data.pop(name, None)


def _span(lines: Sequence[str], table: str) -> tuple[int, int] | None:
    """Return the lines of a table, from the one after its heading to the one after its last; None without it."""
    heading = re.compile(r"^\s*\[([^\[\]]*)\]")
    begins = 0 if not table else None
    for place, line in enumerate(lines):
        if (found := heading.match(line)) is not None:
            if begins is not None:
                return begins, place
            if found.group(1).replace(" ", "") == table:
                begins = place + 1
    return None if begins is None else (begins, len(lines))


def _remove(lines: list[str], table: str, name: str) -> None:
    if (span := _span(lines, table)) is not None:
        for place in range(*span):
            if re.match(rf"^\s*{name}\s*=", lines[place]):
                del lines[place]
                return


def _set(lines: list[str], table: str, name: str, line: str) -> None:
    span = _span(lines, table)
    if span is None:
        lines += ["", f"[{table}]", line]
        return
    for place in range(*span):
        if re.match(rf"^\s*{name}\s*=", lines[place]):
            lines[place] = line
            return
    begins, ends = span
    while ends > begins and not lines[ends - 1].strip():
        ends -= 1
    lines.insert(ends, line)


def written(data: Mapping[str, Any]) -> str:
    """Return the data of a profile as TOML: plain keys first, then tables; marks as inline tables."""
    lines: list[str] = []
    _table(lines, "", copy.deepcopy(dict(data)))
    return "\n".join(lines).strip("\n") + "\n"


def _table(lines: list[str], path: str, data: Mapping[str, Any]) -> None:
    if path == KNOWN:
        lines += ["", f"[{KNOWN}]"]
        for name, mark in data.items():
            inside = ", ".join(f"{field} = {toml_value(value)}" for field, value in mark.items())
            lines.append(f"{toml_value(name)} = {{ {inside} }}")
        return
    plain = {name: value for name, value in data.items() if not isinstance(value, dict)}
    if path and plain:
        lines += ["", f"[{path}]"]
    lines += [f"{name} = {toml_value(value)}" for name, value in plain.items()]
    for name, value in data.items():
        if isinstance(value, dict):
            _table(lines, f"{path}.{name}" if path else name, value)
