"""A journal's count of lost entries only rises, and counts each entry once."""

import contextlib
import sqlite3
from pathlib import Path
from typing import Any

import pytest

from drillfeed.daemon.journal import writer
from drillfeed.daemon.journal.writer import Journal
from tests.journal.entries_of_a_practice import a_ball, a_set, journal_in


def test_a_batch_spoilt_by_a_mistake_adds_to_what_was_dropped_before_and_after(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Entries dropped by a full queue, then a batch lost to a mistake, then drops again: the count is their sum."""
    journal = Journal(tmp_path / "journal.sqlite", "club-build", "run", max_queue=5)
    for n in range(1, 8):
        journal.note(a_ball(float(n), n))
    assert journal.lost == 2

    def mistaken(*_: Any) -> Any:
        raise AttributeError("a mistake in drillfeed")

    with monkeypatch.context() as patch:
        patch.setattr(writer, "write", mistaken)
        journal._guarded_turn()
    assert journal.lost == 2 + 5
    for n in range(8, 14):
        journal.note(a_ball(float(n), n))
    assert journal.lost == 2 + 5 + 1
    assert any(text.startswith("8 events not recorded:") for text in journal.warnings())


def test_an_entry_that_cannot_be_written_is_counted_once_however_often_its_batch_is_tried(tmp_path: Path) -> None:
    """A batch that the disk refuses is tried again: the spoilt entry in it counts as one, and only once it is lost."""
    failing = [True, True]

    class Disk(sqlite3.Connection):
        def execute(self, sql: str, *rest: Any) -> sqlite3.Cursor:
            if sql == "COMMIT" and failing:
                failing.pop()
                raise sqlite3.OperationalError("disk I/O error")
            return super().execute(sql, *rest)

    def opener(path: Path) -> sqlite3.Connection:
        with contextlib.closing(journal_in(tmp_path)._opener(path)):
            pass
        connection = sqlite3.connect(path, isolation_level=None, factory=Disk)
        connection.row_factory = sqlite3.Row
        return connection

    journal = Journal(tmp_path / "journal.sqlite", "club-build", "run", opener=opener)
    for entry in (a_set(0.0), a_ball(1.0, 1, id=None), a_ball(2.0, 2)):
        journal.note(entry)
    seen = []
    for _ in range(3):
        journal.turn()
        seen.append(journal.lost)
    assert seen == [0, 0, 1]
