"""A source file has one subject and fits in the head: at most 300 lines, unless it is a table."""

from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]
MAX_LINES = 300
SUFFIXES = (".py", ".js", ".css", ".html")
FILES = sorted(
    path.relative_to(ROOT)
    for top in ("daemon", "clients", "protocol")
    for path in (ROOT / top).rglob("*")
    if path.suffix in SUFFIXES
)
# Longer files, each with the reason. A table is read row by row, and is easier to compare in one piece.
LONGER = {
    "daemon/engine/decision.py": "table: one frozen dataclass for each action",
    "daemon/engine/events.py": "table: one frozen dataclass for each event",
    "daemon/physics/eighth_order.py": "table: the coefficients of the rule, with the step that uses them",
}


@pytest.mark.parametrize("path", FILES, ids=map(str, FILES))
def test_a_source_file_fits_in_the_head(path: Path) -> None:
    """It has at most 300 lines, or stands in the list with its reason."""
    lines = len((ROOT / path).read_text(encoding="utf-8").splitlines())
    assert lines <= MAX_LINES or str(path) in LONGER, f"{path} has {lines} lines; split it by subject"


def test_the_list_names_only_files_that_are_longer() -> None:
    """A file that was split leaves the list."""
    short = [name for name in LONGER if len((ROOT / name).read_text(encoding="utf-8").splitlines()) <= MAX_LINES]
    assert not short
