"""The last throws in shared memory: a daemon that is gone leaves them, the next one writes down what is missing."""

import contextlib
import sqlite3
from pathlib import Path

import pytest

from drillfeed.daemon.journal import last_throws
from drillfeed.daemon.journal.last_throws import SIZE, SLOT_BYTES, SLOTS, LastThrows
from drillfeed.daemon.journal.schema import open_to_read, open_to_write
from drillfeed.daemon.journal.writer import Journal
from tests.journal.entries_of_a_practice import SATURDAY, a_ball, a_set, an_exit, left_hander, ordered


def journal_of(folder: Path, run: str, **more: object) -> Journal:
    """Make the journal of one run of the daemon, with its last throws beside the file."""
    last = LastThrows(folder / "last", run, "club-build")
    return Journal(
        folder / "journal.sqlite",
        "club-build",
        run,
        wall_of=lambda at_s: SATURDAY.timestamp() + at_s,
        last=last,
        **more,  # type: ignore[arg-type]
    )


def throws_in(folder: Path) -> list[tuple[object, ...]]:
    with contextlib.closing(open_to_read(folder / "journal.sqlite")) as connection:
        rows = connection.execute(
            """
            SELECT run, sets.id, sets.number, drill, name, feed_id, seen, at FROM throws
            JOIN sets ON sets.id = set_id JOIN sessions ON sessions.id = throws.session_id
            LEFT JOIN players ON players.id = player_id ORDER BY throws.id
            """
        )
        return [tuple(row) for row in rows]


def test_what_was_noted_and_not_committed_is_written_by_the_next_daemon(tmp_path: Path) -> None:
    """Two throws on disk, two only noted: after the next start all four stand in their set, each once, as seen."""
    gone = journal_of(tmp_path, "run-a")
    for entry in (left_hander(gone), ordered(0.0, "arm"), a_set(1.0), a_ball(6.0, 1), a_ball(7.0, 2)):
        gone.note(entry)
    gone.turn()
    for entry in (a_ball(8.0, 3), an_exit(8.2, 3), a_ball(9.0, 4)):
        gone.note(entry)
    assert [row[5] for row in throws_in(tmp_path)] == [101, 102]
    for run in ("run-b", "run-c"):
        journal_of(tmp_path, run).turn()
        began = SATURDAY.timestamp()
        assert throws_in(tmp_path) == [
            ("run-a", 1, 1, "lift-the-push", "left-hander", 101, None, began + 6.0),
            ("run-a", 1, 1, "lift-the-push", "left-hander", 102, None, began + 7.0),
            ("run-a", 1, 1, "lift-the-push", "left-hander", 103, 1, began + 8.0),
            ("run-a", 1, 1, "lift-the-push", "left-hander", 104, None, began + 9.0),
        ]


def test_a_run_of_which_nothing_was_committed_is_written_whole_and_nobody_named(tmp_path: Path) -> None:
    """The disk was full until the kill: session, set and throws come from memory; who played is not known."""

    def full(path: Path) -> sqlite3.Connection:
        raise OSError(28, "No space left on device")

    gone = journal_of(tmp_path, "run-a", opener=full)
    for entry in (a_set(1.0), a_ball(6.0, 1), a_set(20.0, 2), a_ball(26.0, 2, number=2)):
        gone.note(entry)
    gone.turn()
    assert gone.warnings()
    journal_of(tmp_path, "run-b").turn()
    found = [row[:-1] for row in throws_in(tmp_path)]
    assert found == [
        ("run-a", 1, 1, "lift-the-push", None, 101, None),
        ("run-a", 2, 2, "lift-the-push", None, 102, None),
    ]


def test_a_set_that_is_on_disk_is_not_begun_again(tmp_path: Path) -> None:
    """Only the throw of the second set is missing: it goes into that set, although the first has its number too."""
    gone = journal_of(tmp_path, "run-a")
    for entry in (a_set(1.0), a_ball(6.0, 1), a_set(30.0, drill="steady-drives")):
        gone.note(entry)
    gone.turn()
    gone.note(a_ball(36.0, 2))
    journal_of(tmp_path, "run-b").turn()
    assert [(row[1], row[3], row[5]) for row in throws_in(tmp_path)] == [
        (1, "lift-the-push", 101),
        (2, "steady-drives", 102),
    ]


def test_a_disk_that_refuses_the_completing_is_tried_again(tmp_path: Path) -> None:
    """What is left of an earlier daemon waits for the disk, as all else does."""
    journal_of(tmp_path, "run-a").note(a_ball(6.0, 1))
    next_one = journal_of(tmp_path, "run-b")
    with contextlib.closing(open_to_write(tmp_path / "journal.sqlite")) as other:
        other.execute("BEGIN IMMEDIATE")
        next_one.turn()
        assert any("not recorded yet" in text for text in next_one.warnings())
        other.execute("ROLLBACK")
    next_one.turn()
    assert [row[5] for row in throws_in(tmp_path)] == [101] and not next_one.warnings()


def test_what_cannot_be_understood_costs_itself_and_not_the_journal(tmp_path: Path) -> None:
    """A throw without its number, as no drillfeed writes it, is told and dropped; what is thrown now is written."""
    journal_of(tmp_path, "run-a").note(a_ball(6.0, 1, id=None))
    next_one = journal_of(tmp_path, "run-b")
    next_one.note(a_ball(9.0, 1))
    next_one.turn()
    assert [row[0] for row in throws_in(tmp_path)] == ["run-b"] and not next_one.warnings()


def test_the_ring_keeps_the_newest_and_a_slot_cut_short_is_passed_over(tmp_path: Path) -> None:
    """More than the ring holds: the newest stay, in their order. A half-written slot costs itself alone."""
    ring = LastThrows(tmp_path / "last", "run-a", "club-build")
    for n in range(SLOTS + 5):
        ring.keep(a_ball(float(n), n).event)
    data = bytearray((tmp_path / "last").read_bytes())
    assert len(data) == SIZE
    data[7 * SLOT_BYTES + 20] ^= 0xFF
    (tmp_path / "last").write_bytes(data)
    found = LastThrows(tmp_path / "last", "run-b", "club-build").left
    assert [throw.event.n for throw in found] == [n for n in range(5, SLOTS + 5) if n != 7]
    assert found[0].event == a_ball(5.0, 5).event and found[0].run == "run-a"


def test_an_orderly_end_leaves_nothing_in_memory_and_one_with_a_full_disk_does(tmp_path: Path) -> None:
    """When all is on disk the file goes; while something is not, it stays for the next daemon."""
    journal = journal_of(tmp_path, "run-a")
    journal.note(a_ball(6.0, 1))
    journal.end()
    journal.run()
    assert not (tmp_path / "last").exists() and len(throws_in(tmp_path)) == 1

    def full(path: Path) -> sqlite3.Connection:
        raise OSError(28, "No space left on device")

    journal = journal_of(tmp_path, "run-b", opener=full)
    journal.note(a_ball(6.0, 2))
    journal.end()
    journal.run()
    assert [throw.event.n for throw in LastThrows(tmp_path / "last", "run-c", "club-build").left] == [2]


def test_a_file_that_others_may_read_or_that_leads_elsewhere_is_not_used(tmp_path: Path) -> None:
    """Memory shared by all accounts: only a plain file of ours, closed to others, is mapped."""
    (tmp_path / "open").touch(0o644)
    (tmp_path / "link").symlink_to(tmp_path / "open")
    for name in ("open", "link"):
        with pytest.raises(OSError, match=name):
            LastThrows(tmp_path / name, "run-a", "club-build")


def test_each_journal_and_machine_has_a_place_of_its_own(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Two throwers on one journal do not write over each other; no place at all is told, not fatal."""
    there = {"XDG_RUNTIME_DIR": str(tmp_path)}
    places = {
        last_throws.place_of(tmp_path / journal, machine, there)
        for journal in ("a.sqlite", "b.sqlite")
        for machine in ("club-build", "kit-build")
    }
    assert len(places) == 4 and all(place is not None and place.parent == tmp_path for place in places)
    monkeypatch.setattr(last_throws, "place_of", lambda journal, machine: None)
    assert LastThrows.of(tmp_path / "a.sqlite", "run-a", "club-build") is None
