"""What status says of a calibration, and how it grows stale by the journal."""

import sqlite3
from pathlib import Path

import pytest

from drillfeed.daemon.calibration import Calibration, Fitted
from drillfeed.daemon.journal.schema import open_to_write
from drillfeed.daemon.library.loading import load_machine
from drillfeed.daemon.machine import Machine
from drillfeed.daemon.shell.age import with_age

PLAIN = Fitted(top_slope=1, top_offset_mps=0, bottom_slope=1, bottom_offset_mps=0, tilt_zero_deg=0, drag=0.55)


def calibrated(stale_after: int) -> Machine:
    """Return the club build, calibrated on a day long ago."""
    learnt = Calibration(
        machine="club-build",
        made_on="2001-05-05",
        balls=25,
        stale_after_balls=stale_after,
        values=PLAIN,
        deviations=PLAIN,
    )
    return load_machine("club-build").model_copy(update={"calibration": learnt})


def journal(folder: Path, balls: int, simulated: int = 0) -> Path:
    """Return a journal in which the club build has thrown some balls."""
    path = folder / "journal.sqlite"
    connection: sqlite3.Connection = open_to_write(path)
    connection.execute("INSERT INTO sessions VALUES (1, 'run', 'club-build', 1e9, 1e9)")
    connection.execute(
        "INSERT INTO sets (id, session_id, number, began_at, simulated) VALUES (1, 1, 1, 1e9, ?)", (simulated,)
    )
    for n in range(balls):
        connection.execute(
            "INSERT INTO throws (session_id, set_id, feed_id, n, ball, at, outcome, commanded)"
            " VALUES (1, 1, ?, ?, 'light-push', 1e9, 'done', 1)",
            (n, n),
        )
    connection.close()
    return path


@pytest.mark.parametrize(
    ("balls", "words"), [(3, "calibrated 2001-05-05 with 25 balls, 3 balls since"), (6, "stale: calibrated 2001-05-05")]
)
def test_a_calibration_grows_stale_by_the_journal(tmp_path: Path, balls: int, words: str) -> None:
    """Balls thrown since, by the journal, make a calibration stale once they pass its age, and status says so."""
    aged = with_age(calibrated(stale_after=5), journal(tmp_path, balls)).calibration
    assert aged is not None
    assert aged.told().startswith(words)


def test_simulated_balls_wear_nothing(tmp_path: Path) -> None:
    """Balls of a simulated thrower do not count."""
    aged = with_age(calibrated(stale_after=5), journal(tmp_path, 9, simulated=1)).calibration
    assert aged is not None
    assert aged.balls_since == 0


def test_without_a_journal_the_age_is_blank(tmp_path: Path) -> None:
    """A missing or foreign journal leaves the age blank, never zero, and an uncalibrated machine is left as it is."""
    (tmp_path / "odd.sqlite").write_bytes(b"not a journal at all" * 100)
    for file in ("none.sqlite", "odd.sqlite"):
        aged = with_age(calibrated(stale_after=5), tmp_path / file).calibration
        assert aged is not None
        assert aged.balls_since is None
        assert aged.told() == "calibrated 2001-05-05 with 25 balls"
    plain = load_machine("club-build")
    assert with_age(plain, tmp_path / "none.sqlite") is plain
