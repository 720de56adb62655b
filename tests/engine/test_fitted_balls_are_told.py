"""A ball that was bent to fit the machine says so in notices, in the status, in the journal and in its report."""

import contextlib
from pathlib import Path

from drillfeed.daemon.engine.events import BallSettled, Event, figures
from drillfeed.daemon.engine.snapshot import snapshot
from drillfeed.daemon.journal import reading, report
from drillfeed.daemon.journal.entries import EventEntry, Place, write
from drillfeed.daemon.journal.last_throws import LastThrows
from drillfeed.daemon.journal.schema import open_to_write
from drillfeed.daemon.simulation import Simulation
from drillfeed.protocol.status_text import ball_line
from tests.support.halls import drill_plan, machine

SHED = machine("shed-build")
TEXT = "fitted: 6.3 m/s +16 rev/s"


def thrown() -> tuple[Simulation, list[Event]]:
    """Throw a plain ball and a fitted one on the simplest machine; return the hall while the second is ahead."""
    events: list[Event] = []
    hall = Simulation(SHED, on_event=events.append)
    plan = drill_plan(SHED, (4,), balls=("no-spin-steady", "light-topspin"))
    assert hall.start(plan, balls=20).ok
    assert hall.run_until(lambda: any(isinstance(event, BallSettled) for event in events), 120.0)
    return hall, events


def test_the_status_tells_what_was_bent() -> None:
    """The ball ahead has the text as a field and in its line; the ball as written has neither."""
    hall, _ = thrown()
    seen = snapshot(hall.engine.parts, hall.now_s)
    assert seen.next_ball is not None and seen.last_ball is not None
    assert (seen.last_ball.ball, seen.last_ball.fitted) == ("no-spin-steady", None)
    assert (seen.next_ball.ball, seen.next_ball.fitted) == ("light-topspin", TEXT)
    assert TEXT in ball_line(seen.next_ball) and "fitted" not in ball_line(seen.last_ball)


def test_notices_and_the_journal_tell_what_was_bent(tmp_path: Path) -> None:
    """The notice has it in text and fields, the journal in a column of its own, the report as a note."""
    hall, events = thrown()
    assert hall.until_state("ARMED", "FAULT", max_s=120.0)
    told = {event.fields["ball"]: event for event in hall.events if event.topic == "ball"}
    assert told["light-topspin"].fields["fitted"] == TEXT and TEXT in told["light-topspin"].text
    assert told["no-spin-steady"].fields["fitted"] is None and "fitted" not in told["no-spin-steady"].text
    place = Place("run", SHED.name)
    with contextlib.closing(open_to_write(tmp_path / "journal.sqlite")) as connection:
        for event in events:
            place = write(connection, place, EventEntry(event), 1_772_874_000.0)
        found = reading.session(connection, 1)
    assert {(throw["ball"], throw["fitted"]) for throw in found.throws} == {
        ("no-spin-steady", None),
        ("light-topspin", TEXT),
    }
    assert sum(TEXT in line for line in report.session_lines(found, 160)) == 2


def test_a_throw_kept_by_a_drillfeed_that_fitted_nothing_is_read(tmp_path: Path) -> None:
    """The ring of an older version has no such field: its throws count, and what was bent is not known."""
    _, events = thrown()
    ball = next(event for event in events if isinstance(event, BallSettled))
    ring = LastThrows(tmp_path / "ring", "run", SHED.name)
    ring.keep(ball)
    (kept,) = LastThrows(tmp_path / "ring", "next", SHED.name).left
    assert isinstance(kept.event, BallSettled) and kept.event.fitted is None
    old = {name: value for name, value in dict(figures(ball)).items() if name != "fitted"}
    assert BallSettled(at_s=ball.at_s, title="", **old).fitted is None
