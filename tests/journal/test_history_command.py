"""The sub-command `drillfeed history`: what it prints and how it ends."""

import csv
import io
import json
from pathlib import Path

import pytest

from drillfeed.daemon.cli import main
from tests.journal.entries_of_a_practice import a_ball, a_set, journal_in, left_hander, ordered, write_all


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
