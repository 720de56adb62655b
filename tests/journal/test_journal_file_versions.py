"""The journal's file: its versions, whose it is, and who may read it."""

import contextlib
import sqlite3
from pathlib import Path

import pytest

from drillfeed.daemon.journal import reading, report
from drillfeed.daemon.journal.players import find_player
from drillfeed.daemon.journal.schema import (
    APPLICATION_ID,
    VERSION,
    NotOurs,
    migrate,
    open_to_read,
    open_to_write,
)
from drillfeed.daemon.journal.steps import STEPS

OLD = Path(__file__).parent / "version-1.sql"


def shape(connection: sqlite3.Connection) -> list[tuple[str, str, str]]:
    """Return every column of every table with its type, and every index."""
    rows = connection.execute(
        "SELECT t.name, c.name, c.type FROM sqlite_master t, pragma_table_info(t.name) c WHERE t.type = 'table' "
        "UNION SELECT name, tbl_name, 'index' FROM sqlite_master WHERE type = 'index' ORDER BY 1, 2"
    )
    return [tuple(row) for row in rows]


def old_file(folder: Path) -> Path:
    path = folder / "journal.sqlite"
    with contextlib.closing(sqlite3.connect(path)) as connection:
        connection.executescript(OLD.read_text("utf-8"))
    return path


def test_file_of_version_1_is_brought_up_to_date_and_keeps_every_row(tmp_path: Path) -> None:
    """An older journal gets what is new, as not known, and loses nothing."""
    with contextlib.closing(open_to_write(old_file(tmp_path))) as connection:
        assert connection.execute("PRAGMA user_version").fetchone()[0] == VERSION
        found = reading.session(connection, 1)
        with contextlib.closing(open_to_write(tmp_path / "new.sqlite")) as new:
            assert shape(connection) == shape(new)
    assert [
        (planned_set.drill, planned_set.player, planned_set.commanded, planned_set.made, planned_set.simulated)
        for planned_set in found.sets
    ] == [
        ("warm-up", "left-hander", 1, 1, None),
        ("warm-up", None, 0, None, None),
    ]
    assert (len(found.throws), len(found.marks), len(found.commands)) == (2, 1, 1)


def file_of_version_2(folder: Path) -> Path:
    """Make a journal as version 2 left it, with a fault in it."""
    path = old_file(folder)
    with contextlib.closing(sqlite3.connect(path)) as connection:
        migrate(connection, 1)
        connection.execute("INSERT INTO faults VALUES (1, 1, 1772874200.0, 'link-lost', 'no word', 'a cable')")
        connection.commit()
    return path


def test_fault_of_version_2_is_kept_and_what_it_did_not_hold_is_not_known(tmp_path: Path) -> None:
    """Brought up to date a fault keeps what was written; the next step and the messages before it are NULL."""
    with contextlib.closing(open_to_write(file_of_version_2(tmp_path))) as connection:
        assert connection.execute("PRAGMA user_version").fetchone()[0] == VERSION
        (fault,) = reading.session(connection, 1).faults
        with contextlib.closing(open_to_write(tmp_path / "new.sqlite")) as new:
            assert shape(connection) == shape(new)
    assert (fault["cause"], fault["what"], fault["hint"]) == ("link-lost", "no word", "a cable")
    assert (fault["next_step"], fault["recent"]) == (None, None)


def test_history_reads_version_2_and_leaves_the_file(tmp_path: Path) -> None:
    """Reading changes no file, so a journal that no daemon has brought up to date is told with what it has."""
    path = file_of_version_2(tmp_path)
    before = path.read_bytes()
    with contextlib.closing(open_to_read(path)) as connection:
        told = report.session_lines(reading.session(connection, 1), 80)
    assert any("link-lost" in line and "no word" in line for line in told)
    assert path.read_bytes() == before
    with contextlib.closing(sqlite3.connect(path)) as connection:
        assert connection.execute("PRAGMA user_version").fetchone()[0] == 2


def test_old_names_of_causes_and_commands_are_kept_and_shown(tmp_path: Path) -> None:
    """A journal from before the names changed opens, read only or brought up to date, and shows what was written."""
    path = old_file(tmp_path)
    with contextlib.closing(sqlite3.connect(path)) as connection:
        connection.executescript((OLD.parent / "old-names.sql").read_text("utf-8"))
    for open_it in (open_to_read, open_to_write):
        with contextlib.closing(open_it(path)) as connection:
            found = reading.session(connection, 1)
            told = "\n".join(report.session_lines(found, 80))
        assert [fault["cause"] for fault in found.faults] == ["wheel-astray", "angle-astray"]
        assert [command["line"] for command in found.commands][1:] == ["rephase", "pairing coach", "paired"]
        assert "wheel-astray" in told and "angle-astray" in told


@pytest.mark.parametrize("mode", ["delete", "wal"])
def test_copy_in_memory_has_the_shape_of_a_journal_of_today(tmp_path: Path, mode: str) -> None:
    """Whatever is asked of today's journal can be asked of an old one that was only opened to be read."""
    path = old_file(tmp_path)
    with contextlib.closing(sqlite3.connect(path)) as connection:
        connection.execute(f"PRAGMA journal_mode = {mode}")
    with (
        contextlib.closing(open_to_read(path)) as read,
        contextlib.closing(open_to_write(tmp_path / "new.sqlite")) as new,
    ):
        assert shape(read) == shape(new)
        assert len(reading.session(read, 1).throws) == 2


def test_empty_file_is_a_journal_without_a_session(tmp_path: Path) -> None:
    """A file that was made and never written, as by a daemon that was killed while it came up."""
    (tmp_path / "journal.sqlite").touch()
    with contextlib.closing(open_to_read(tmp_path / "journal.sqlite")) as connection:
        assert reading.sessions(connection) == []
    assert (tmp_path / "journal.sqlite").stat().st_size == 0


def test_players_and_sets_of_version_3_have_no_elbow_and_no_level(tmp_path: Path) -> None:
    """What version 3 did not hold is not known, brought up to date or read as it is; hand and level stay."""
    path = file_of_version_2(tmp_path)
    with contextlib.closing(sqlite3.connect(path)) as connection:
        migrate(connection, 2)
    for open_it in (open_to_read, open_to_write):
        with contextlib.closing(open_it(path)) as connection:
            player = find_player(connection, "left-hander")
            assert (player.hand, player.level, player.elbow_cm) == ("left", "junior", None)
            assert {played_set.level for played_set in reading.session(connection, 1).sets} == {None}


def test_throws_of_version_4_have_no_sidespin_pan_or_roll(tmp_path: Path) -> None:
    """What version 4 did not hold of a throw is not known, brought up to date or read as it is; the rest stays."""
    path = file_of_version_2(tmp_path)
    with contextlib.closing(sqlite3.connect(path)) as connection:
        migrate(connection, 2)
        migrate(connection, 3)
        before = connection.execute("SELECT ball, spin_revps, tilt_deg FROM throws ORDER BY id").fetchall()
    for open_it in (open_to_read, open_to_write):
        with contextlib.closing(open_it(path)) as connection:
            throws = reading.session(connection, 1).throws
            assert [(throw["ball"], throw["spin_revps"], throw["tilt_deg"]) for throw in throws] == before
            assert {(throw["side_revps"], throw["pan_deg"], throw["roll_deg"]) for throw in throws} == {
                (None, None, None)
            }
            assert "None" not in "\n".join(report.session_lines(reading.session(connection, 1), 160))


def test_sets_and_marks_of_version_5_do_not_hold_what_came_later(tmp_path: Path) -> None:
    """What version 5 did not hold of a set or a mark is not known, brought up to date or read as it is."""
    path = file_of_version_2(tmp_path)
    with contextlib.closing(sqlite3.connect(path)) as connection:
        for number in (2, 3, 4):
            migrate(connection, number)
    of_sets = ("title", "sequence_kind", "rung", "warm_up", "check_set", "rest_s")
    of_marks = ("way", "net", "long", "delay_s")
    for open_it in (open_to_read, open_to_write):
        with contextlib.closing(open_it(path)) as connection:
            for table, columns in (("sets", of_sets), ("marks", of_marks)):
                rows = connection.execute(f"SELECT {', '.join(columns)} FROM {table}").fetchall()
                assert rows and {tuple(row) for row in rows} == {(None,) * len(columns)}


def test_first_step_makes_the_file_that_version_1_wrote(tmp_path: Path) -> None:
    """A step that was released stays as it was: version 1 made anew has the shape of the file that was kept."""
    with (
        contextlib.closing(sqlite3.connect(":memory:")) as made,
        contextlib.closing(sqlite3.connect(old_file(tmp_path))) as kept,
    ):
        made.executescript(STEPS[0])
        assert shape(made) == shape(kept)


@pytest.mark.parametrize(
    ("application", "version", "why"), [(APPLICATION_ID, VERSION + 1, "versions up to"), (7, 1, "another program")]
)
def test_newer_or_foreign_file_is_left_as_it_is(tmp_path: Path, application: int, version: int, why: str) -> None:
    """What is not ours, or is newer than we are, is neither changed nor set aside."""
    path = tmp_path / "journal.sqlite"
    with contextlib.closing(sqlite3.connect(path)) as connection:
        connection.executescript(
            f"CREATE TABLE notes (text); PRAGMA application_id = {application}; PRAGMA user_version = {version};"
        )
    before = path.read_bytes()
    for open_it in (open_to_write, open_to_read):
        with pytest.raises(NotOurs, match=why):
            open_it(path)
    assert path.read_bytes() == before


def test_journal_is_readable_by_its_owner_alone(tmp_path: Path) -> None:
    """The file holds what people did; no other account of the machine reads it, nor what lies beside it."""
    with contextlib.closing(open_to_write(tmp_path / "deep" / "journal.sqlite")):
        modes = {path.stat().st_mode & 0o077 for path in (tmp_path / "deep").iterdir()}
    assert modes == {0}


def test_reading_makes_no_file(tmp_path: Path) -> None:
    """Asking for a history where there is none says so and leaves nothing behind."""
    with pytest.raises(FileNotFoundError, match="no journal"):
        open_to_read(tmp_path / "journal.sqlite")
    assert list(tmp_path.iterdir()) == []
