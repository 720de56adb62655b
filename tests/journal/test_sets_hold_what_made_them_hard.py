"""What the journal holds of a set besides its balls, and the rest before it."""

import contextlib
from dataclasses import replace
from pathlib import Path

from drillfeed.daemon.drills.drill import Drill
from drillfeed.daemon.drills.ladder import Changes, reshaped
from drillfeed.daemon.journal.entries import EventEntry
from drillfeed.daemon.journal.schema import open_to_read
from drillfeed.daemon.validation import InvalidFile, validate
from tests.journal.entries_of_a_practice import a_ball, a_set, journal_in, write_all

COLUMNS = "title, sequence_kind, rung, warm_up, check_set, rest_s"


def test_a_set_keeps_title_sequence_rung_and_the_rest_before_it(tmp_path: Path) -> None:
    """The rest is the time from the last ball to the next countdown; before the first set there is none."""
    second = replace(a_set(70.0, 2).event, title="", sequence_kind="fixed", rung=-1, check_set=True)  # type: ignore[type-var]
    write_all(journal_in(tmp_path), a_set(0.0), a_ball(10.0, 1), a_ball(20.0, 2), EventEntry(second))
    with contextlib.closing(open_to_read(tmp_path / "journal.sqlite")) as connection:
        rows = [tuple(row) for row in connection.execute(f"SELECT {COLUMNS} FROM sets ORDER BY id")]
    assert rows == [("push or topspin", "random", 0, 0, 0, None), ("", "fixed", -1, 0, 1, 50.0)]


def test_set_whose_beginning_was_lost_has_blanks(tmp_path: Path) -> None:
    """Only its number is known, so nothing else is told, not even the rest."""
    write_all(journal_in(tmp_path), a_set(0.0), a_ball(10.0, 1), a_ball(60.0, 2, number=2))
    with contextlib.closing(open_to_read(tmp_path / "journal.sqlite")) as connection:
        (row,) = connection.execute(f"SELECT {COLUMNS} FROM sets WHERE number = 2")
    assert tuple(row) == (None,) * 6


DRILL = {
    "name": "two-sets",
    "title": "One set that checks",
    "level": "club",
    "tempo_per_min": 30,
    "set": [
        {"balls": 20, "sequence": {"kind": "fixed", "balls": ["light-push"]}},
        {"balls": 20, "check_set": True, "sequence": {"kind": "fixed", "balls": ["light-push", "rally-topspin"]}},
    ],
    "harder": [{"title": "longer", "balls_change": 5}],
}


def test_no_step_changes_a_check_set() -> None:
    """It is compared with other days, so it stays the same on every rung."""
    drill = reshaped(validate(Drill, DRILL, "two-sets"), Changes(rung=1))
    assert [part.balls for part in drill.set] == [25, 20]


def test_check_set_is_written() -> None:
    """A random sequence would throw other balls each day."""
    sets = [{"balls": 20, "check_set": True, "sequence": {"kind": "random", "weights": {"light-push": 1}}}]
    try:
        validate(Drill, {**DRILL, "set": sets}, "two-sets")
    except InvalidFile as error:
        assert "a fixed sequence, and no warm-up, in a set that checks" in str(error)
    else:
        raise AssertionError("taken")
