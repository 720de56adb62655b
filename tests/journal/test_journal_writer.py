"""The writer: bounded, patient with the disk, and honest about what it did not write."""

import contextlib
import sqlite3
import threading
from collections.abc import Callable
from pathlib import Path

import pytest

from drillfeed.daemon.journal import reading
from drillfeed.daemon.journal.schema import open_to_read, open_to_write
from drillfeed.daemon.journal.writer import Journal, NotRecorded
from tests.journal.entries_of_a_practice import a_ball, a_set, journal_in, write_all


def balls_in(path: Path) -> list[int]:
    with contextlib.closing(open_to_read(path)) as connection:
        return [row[0] for row in connection.execute("SELECT n FROM throws ORDER BY n")]


def test_full_queue_drops_counts_and_tells(tmp_path: Path) -> None:
    """What does not fit is lost, never waited for; the status says how many, and the rest is written."""
    journal = Journal(tmp_path / "journal.sqlite", "club-build", "run", max_queue=5)
    for n in range(1, 9):
        journal.note(a_ball(float(n), n))
    assert journal.lost == 3
    journal.turn()
    assert any(text.startswith("3 events not recorded") for text in journal.warnings())
    assert balls_in(journal.path) == [1, 2, 3, 4, 5]


def test_the_same_throw_noted_twice_is_one_throw(tmp_path: Path) -> None:
    """Session and feed id together name a throw: none is doubled."""
    journal = journal_in(tmp_path)
    write_all(journal, a_set(0.0), a_ball(1.0, 1), a_ball(1.0, 1), a_ball(2.0, 2))
    assert balls_in(journal.path) == [1, 2]


class Disk:
    """Opens the journal on a disk that fills up and is cleared again."""

    def __init__(self) -> None:
        self.full = False

    def open(self, path: Path) -> sqlite3.Connection:
        connection = open_to_write(path)
        if self.full:
            pages = connection.execute("PRAGMA page_count").fetchone()[0]
            connection.execute(f"PRAGMA max_page_count = {pages}")
        return connection


def test_full_disk_loses_nothing_that_fits_the_queue(tmp_path: Path) -> None:
    """While the disk is full the status says so; what waited is written, once, when there is room again."""
    disk = Disk()
    journal = Journal(tmp_path / "journal.sqlite", "club-build", "run", opener=disk.open)
    write_all(journal, a_set(0.0), a_ball(1.0, 1))
    disk.full = True
    journal._close()
    for n in range(2, 202):
        journal.note(a_ball(float(n), n))
    journal.turn()
    assert ["200 events not recorded yet: database or disk is full" in text for text in journal.warnings()] == [True]
    disk.full = False
    journal.turn()
    assert journal.warnings() == ()
    assert balls_in(journal.path) == list(range(1, 202))
    with contextlib.closing(open_to_read(journal.path)) as connection:
        assert len(reading.sessions(connection)) == 1


def read_only(path: Path) -> sqlite3.Connection:
    return open_to_read(path)


def no_folder(path: Path) -> sqlite3.Connection:
    raise PermissionError(13, "Permission denied")


@pytest.mark.parametrize(("opener", "why"), [(read_only, "readonly"), (no_folder, "Permission denied")])
def test_read_only_place_is_told_and_tried_again(
    tmp_path: Path, opener: Callable[[Path], sqlite3.Connection], why: str
) -> None:
    """A journal that cannot be written is named in the status; a question to it is refused, not left waiting."""
    write_all(journal_in(tmp_path), a_ball(0.0, 1))
    opens = [opener, open_to_write]
    journal = Journal(
        tmp_path / "journal.sqlite", "club-build", "run-b", opener=lambda path: opens.pop(0)(path), wall_of=float
    )
    journal.note(a_ball(1.0, 2))
    answer = journal.ask(reading.sessions)
    journal.turn()
    assert "1 events not recorded yet" in journal.warnings()[0] and why in journal.warnings()[0]
    with pytest.raises(NotRecorded, match=why):
        answer.result(0)
    journal.turn()
    assert journal.warnings() == () and balls_in(journal.path) == [1, 2]


@pytest.mark.parametrize("damage", ["not a database at all" * 50, "head", "middle"])
def test_damaged_file_is_set_aside_whole_and_a_new_one_begun(tmp_path: Path, damage: str) -> None:
    """A damaged journal keeps its bytes under a dated name; nothing that was noted meanwhile is lost."""
    journal = journal_in(tmp_path)
    write_all(journal, a_set(0.0), *(a_ball(float(n), n) for n in range(1, 400)))
    journal._close()
    data = bytearray(journal.path.read_bytes())
    if damage == "head":
        data[:32] = bytes(32)
    elif damage == "middle":
        data[8192:16384] = b"\xa5" * 8192
    else:
        data = bytearray(damage.encode())
    journal.path.write_bytes(data)
    journal.note(a_ball(500.0, 400))
    journal.turn()
    journal.turn()
    (aside,) = tmp_path.glob("journal.sqlite.damaged-*")
    assert aside.read_bytes() == bytes(data)
    assert str(aside) in journal.warnings()[0]
    assert balls_in(journal.path) == [400]


def test_entry_that_cannot_be_written_is_counted_and_keeps_no_other_back(tmp_path: Path) -> None:
    """A mistake of ours in one entry loses that entry alone."""
    journal = journal_in(tmp_path)
    for entry in (a_set(0.0), a_ball(1.0, 1, id=None), a_ball(2.0, 2)):
        journal.note(entry)
    journal.turn()
    assert journal.lost == 1 and balls_in(journal.path) == [2]


def test_entry_is_committed_and_told_within_the_batch_and_the_end_writes_the_rest(tmp_path: Path) -> None:
    """The thread commits by itself, and ending it leaves nothing in the queue."""
    committed = threading.Event()
    journal = Journal(
        tmp_path / "journal.sqlite", "club-build", "run", on_commit=lambda entries: committed.set() if entries else None
    )
    journal.start()
    journal.note(a_ball(1.0, 1))
    assert committed.wait(10.0)
    for n in range(2, 50):
        journal.note(a_ball(float(n), n))
    journal.end()
    journal.join(10.0)
    assert not journal.is_alive() and balls_in(journal.path) == list(range(1, 50))
    with pytest.raises(NotRecorded, match="shutting down"):
        journal.ask(reading.sessions).result(0)
