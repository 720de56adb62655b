"""The sub-command `drillfeed history`: what it prints and how it ends."""

import contextlib
import csv
import io
import json
import sqlite3
import subprocess
import sys
from pathlib import Path

import pytest

from drillfeed.daemon.cli import main
from drillfeed.daemon.journal.schema import VERSION, open_to_write
from tests.faults.small_disk import permitted
from tests.journal.entries_of_a_practice import a_ball, a_set, journal_in, left_hander, ordered, write_all

pytestmark = pytest.mark.patient


@pytest.fixture
def path(tmp_path: Path) -> Path:
    """A journal of two sessions: one with balls, one with a command alone."""
    journal = journal_in(tmp_path)
    write_all(journal, left_hander(journal), a_set(0.0), *(a_ball(float(n), n) for n in range(1, 4)))
    write_all(journal_in(tmp_path, run="run-b"), ordered(0.0, "arm"))
    return tmp_path / "journal.sqlite"


def history(path: Path, *arguments: str) -> int:
    return main(["history", "--journal", str(path), *arguments])


def test_sessions_without_a_ball_are_counted_and_shown_with_all(path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """The list holds what was practised; the rest is named by its number and shown when asked for."""
    assert history(path) == 0
    told = capsys.readouterr().out
    assert "left-hander" in told and "1 more, older or without a ball: --all" in told
    assert history(path, "--all", "--csv") == 0
    rows = list(csv.DictReader(io.StringIO(capsys.readouterr().out)))
    assert [(row["id"], row["commanded"], row["made"]) for row in rows] == [("2", "0", ""), ("1", "3", "")]


def test_last_is_the_last_session_with_a_ball(path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """`last` means the last practice, not the last time the daemon was asked something."""
    assert history(path, "last", "--json") == 0
    data = json.loads(capsys.readouterr().out)
    assert data["session"]["id"] == 1 and len(data["throws"]) == 3
    assert history(path, "2") == 0
    assert "session 2" in capsys.readouterr().out


@pytest.mark.parametrize(
    ("arguments", "why"),
    [
        (["7"], "there is no session 7"),
        (["yesterday"], "its number, or the word last"),
        (["--player", "nobody"], "one of: left-hander"),
    ],
)
def test_what_is_not_there_is_named_and_ends_with_2(
    path: Path, arguments: list[str], why: str, capsys: pytest.CaptureFixture[str]
) -> None:
    """A session or player that is not known: exit 2, with what is."""
    assert history(path, *arguments) == 2
    assert why in capsys.readouterr().err


def test_no_journal_ends_with_2(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Before the first practice there is nothing to tell."""
    assert history(tmp_path / "none.sqlite") == 2
    assert "no journal at" in capsys.readouterr().err


def file_of_version_1(folder: Path, version: int = 1) -> Path:
    """Make a journal as version 1 left it; with another version, one that says so."""
    path = folder / "old.sqlite"
    with contextlib.closing(sqlite3.connect(path)) as connection:
        connection.executescript(Path(__file__).with_name("version-1.sql").read_text("utf-8"))
        connection.execute(f"PRAGMA user_version = {version}")
    return path


@pytest.mark.parametrize("arguments", [[], ["--all"], ["last"], ["1"], ["--player", "left-hander"]])
@pytest.mark.parametrize("form", [[], ["--json"], ["--csv"]])
def test_journal_of_version_1_that_no_daemon_has_opened_is_told(
    tmp_path: Path, arguments: list[str], form: list[str], capsys: pytest.CaptureFixture[str]
) -> None:
    """Every form of the command reads it: what it holds is told, what it never held is blank; the file stays."""
    path = file_of_version_1(tmp_path)
    before = path.read_bytes()
    assert history(path, *arguments, *form) == 0
    told = capsys.readouterr()
    named = "no-spin-steady" if form == ["--csv"] and arguments in (["last"], ["1"]) else "left-hander"
    assert named in told.out and not told.err
    assert path.read_bytes() == before and [path.name for path in tmp_path.iterdir()] == [path.name]


def test_what_version_1_did_not_hold_is_null(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Whether a set was simulated came with version 2: not known of the sets before it."""
    assert history(file_of_version_1(tmp_path), "1", "--json") == 0
    data = json.loads(capsys.readouterr().out)
    assert [row["simulated"] for row in data["sets"]] == [None, None]
    assert (data["session"]["commanded"], data["sets"][0]["made"], len(data["throws"])) == (1, 1, 2)


def test_journal_of_a_newer_version_is_named_with_what_to_do(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Exit 2; the error names the version found, the newest that is known, and the next step; the file stays."""
    path = file_of_version_1(tmp_path, VERSION + 3)
    before = path.read_bytes()
    assert history(path) == 2
    told = capsys.readouterr().err
    for words in (f"version {VERSION + 3}", f"up to {VERSION}", "Next: bring drillfeed up to date", str(path)):
        assert words in told
    assert path.read_bytes() == before


@pytest.mark.skipif(not permitted(), reason="this system permits no disk of our own (unshare -rm)")
def test_journal_on_a_read_only_disk_is_told(tmp_path: Path) -> None:
    """A journal that its daemon has closed can be read where nothing can be written beside it."""
    path = file_of_version_1(tmp_path)
    open_to_write(path).close()
    assert [file.name for file in path.parent.iterdir()] == [path.name]
    mount = f"mount --bind {path.parent} {path.parent} && mount -o remount,bind,ro {path.parent}"
    command = f"{mount} && ! touch {path} && exec {sys.executable} -m drillfeed.daemon.cli history --journal {path}"
    done = subprocess.run(["unshare", "-rm", "sh", "-c", command], capture_output=True, text=True, timeout=60)
    assert done.returncode == 0 and "left-hander" in done.stdout
