"""No sentence that people read stands outside the catalogue, in the layers that have moved there."""

import ast
import re
from collections.abc import Iterator
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]
MOVED = (
    "protocol",
    "daemon/planning",
    "daemon/aim",
    "daemon/drills",
    "daemon/physics",
    "daemon/engine",
    "daemon/shell",
    "daemon/journal",
    "daemon/demo",
    *(f"daemon/{name}.py" for name in ("machine", "calibration", "validation", "files", "library", "config")),
    *(f"daemon/{name}.py" for name in ("listing", "checking", "boards", "app", "replaying", "simulation")),
)
"""Folders and patterns of files whose sentences stand in the catalogue."""
NOT_MOVED = ("protocol/write_*.py", "protocol/generated.py")
"""What writes pages of the reference from the tables for whoever changes them."""
WORDS = 3
"""So many words make a sentence."""

NOT_FOR_PEOPLE = {"Field", "compile", "cast", "TypeVar"}
"""Calls whose texts describe code or a file's schema, or are no text at all."""
LOGS = {"debug", "info", "warning", "error", "exception", "critical"}
"""Methods of a log. The log stays English, as a program's own record for whoever mends it."""
SQL = "a question to the database"
WRITTEN = "a page of the reference, written from the table"
EXAMPLE = "a line as it is typed"
REASONS: dict[str, dict[str, str]] = {
    "protocol/commands.py": {"load short-then-long": EXAMPLE},
    "protocol/change_rows.py": {"swap heavy-push": EXAMPLE, "queue short-then-long": EXAMPLE},
    "protocol/practice_rows.py": {"mark made": EXAMPLE, "trim light-push": EXAMPLE, "players choose": EXAMPLE},
    "protocol/lines.py": {"done {}": "the closing line of a reply", "no {}": "the closing line of a reply"},
    "daemon/engine/write_states.py": {
        "# States and": WRITTEN,
        "| in |": WRITTEN,
        "Not drawn": WRITTEN,
        "{} to {}": WRITTEN,
    },
    "daemon/planning/stretch.py": {"{ one_of": "a piece of a drill file"},
    "daemon/engine/driver.py": {"refused from driver": "the name of a kind of frame in the record of a fault"},
    "daemon/shell/callers.py": {"{} port {}": "an address"},
    "daemon/shell/line_commands.py": {"{} {} since": "a data line, which programs read"},
    "daemon/shell/planner.py": {
        "no answer within": "for the log",
        "it ended": "for the log",
        "in the planner: ": "an error that the desk catches and writes to the log",
        "an answer of": "an error that is caught here",
        "exit status": "for the log",
    },
    "daemon/journal/last_throws.py": {"no event of a throw": "an error that no call can lead to"},
    "daemon/journal/completing.py": dict.fromkeys(("SELECT", "\n        SELECT", "sets.number"), SQL),
    "daemon/journal/entries.py": dict.fromkeys(("UPDATE", "SELECT", "sets WHERE", "throws WHERE", "INSERT"), SQL),
    "daemon/journal/players.py": dict.fromkeys(("SELECT", "INSERT"), SQL),
    "daemon/journal/reading.py": dict.fromkeys(("SELECT", "\n        SELECT"), SQL),
    "daemon/journal/forgetting.py": dict.fromkeys(("SELECT", "UPDATE", "DELETE"), SQL),
    "daemon/journal/exporting.py": {"": "what the columns of an export mean: part of its form, which programs read"},
    "daemon/journal/report.py": {
        "at cause what": "names of columns",
        "no {} {}": "a line of the protocol",
    },
    "daemon/journal/schema.py": {"SELECT": SQL, "BEGIN": SQL, "\n    SELECT": SQL},
    "daemon/journal/steps.py": {"\n    CREATE": SQL, "\n    ALTER": SQL},
    "daemon/journal/practice.py": {"\n        SELECT": SQL, "NOT coalesce": SQL},
    "daemon/planning/plan.py": {"{} to {}": "a ball and its side, as it is typed"},
    "daemon/drills/sides.py": {"{} to {}": "a ball and its side, as it is typed"},
    "daemon/validation.py": {"Input should be ": "the beginning of another library's sentence, to be cut off"},
}
"""File -> the beginning of a literal -> why it may stand there."""


def literals(node: ast.AST) -> Iterator[tuple[int, str]]:
    """Yield line and text of every string literal that is no docstring, no schema and no entry of the log.

    The values of an f-string count as one word each.
    """
    if isinstance(node, ast.JoinedStr):
        parts = [part.value if isinstance(part, ast.Constant) else "{}" for part in node.values]
        yield node.lineno, "".join(map(str, parts))
        for part in node.values:
            if isinstance(part, ast.FormattedValue):
                yield from literals(part.value)
        return
    if isinstance(node, ast.Constant):
        if isinstance(node.value, str):
            yield node.lineno, node.value
        return
    if isinstance(node, ast.Expr) and isinstance(node.value, ast.Constant):
        return
    if isinstance(node, ast.Call):
        called = node.func.attr if isinstance(node.func, ast.Attribute) else getattr(node.func, "id", "")
        if called in NOT_FOR_PEOPLE or (called in LOGS and isinstance(node.func, ast.Attribute)):
            return
    annotations = {id(getattr(node, "annotation", None)), id(getattr(node, "returns", None))}
    for child in ast.iter_child_nodes(node):
        if id(child) not in annotations:
            yield from literals(child)


def is_sentence(text: str) -> bool:
    """Return whether a literal holds so many words that it must be meant for people."""
    words = [word for word in text.split() if re.search(r"[a-z]{2}|\{\}", word)]
    return len(words) >= WORDS and re.search(r"[a-z]{2,} ", text) is not None


def files() -> Iterator[Path]:
    """Yield every source file of the layers that have moved."""
    for pattern in MOVED:
        place = ROOT / pattern
        for path in sorted(place.rglob("*.py") if place.is_dir() else ROOT.glob(pattern)):
            if not any(path.relative_to(ROOT).match(kept) for kept in NOT_MOVED) and "texts" not in path.parts:
                yield path


@pytest.mark.parametrize("path", list(files()), ids=lambda path: str(path.relative_to(ROOT)))
def test_sentences_stand_in_the_catalogue(path: Path) -> None:
    """What people read has an id; a literal of three words or more that stays in the code has a reason."""
    allowed = REASONS.get(str(path.relative_to(ROOT)), {})
    found = [
        f"{path.relative_to(ROOT)}:{line}: {text[:70]!r}"
        for line, text in literals(ast.parse(path.read_text(encoding="utf-8")))
        if is_sentence(text) and not any(text.startswith(beginning) for beginning in allowed)
    ]
    assert not found


def test_every_reason_is_still_needed() -> None:
    """A reason whose literal has gone goes too."""
    for name, reasons in REASONS.items():
        there = [text for _, text in literals(ast.parse((ROOT / name).read_text(encoding="utf-8")))]
        for beginning in reasons:
            assert any(text.startswith(beginning) for text in there), f"{name}: {beginning}"
