"""A ball counts as fed once the board has shown that it pushed it: the driver's results, counts, journal and status."""

import random
import sqlite3
from collections import Counter
from pathlib import Path

import pytest

from drillfeed.clients.drivers.board import PushAnswer, forget
from drillfeed.clients.drivers.serial_lines import BoardClock, Report, report
from drillfeed.clients.drivers.serial_pushes import Pushes
from drillfeed.daemon.engine.snapshot import snapshot
from drillfeed.daemon.journal.entries import EventEntry
from drillfeed.daemon.journal.writer import Journal
from tests.clients.drivers.test_serial_board import SerialHall, firmware
from tests.support.firmware import VirtualFirmware
from tests.support.halls import WatchedHall, drill_plan


class Relay:
    """Something between driver and board that passes what has come every 15 to 50 ms, by the board's time."""

    def __init__(self, seed: int) -> None:
        self.chance = random.Random(seed)
        self.kept = b""
        self.due_s = 0.0

    def through(self, data: bytes, now_s: float) -> bytes:
        self.kept += data
        if now_s < self.due_s:
            return b""
        self.due_s = now_s + self.chance.uniform(0.015, 0.050)
        passed, self.kept = self.kept, b""
        return passed


def behind_a_relay(board: VirtualFirmware, seed: int) -> None:
    """Put a relay into both ways of a board's line."""
    there, back = Relay(seed), Relay(seed + 1000)

    def now_s() -> float:
        return board._last_s or 0.0

    board.bend_out = lambda data: there.through(data, now_s())
    board.bend_in = lambda data: back.through(data, now_s())


def journal_of(hall: WatchedHall, folder: Path) -> Counter[str]:
    """Write down all that the hall told, and return how many throws the journal has of each outcome."""
    journal = Journal(folder / "journal.sqlite", "club-build", "a-run", wall_of=lambda at_s: 1_772_877_600.0 + at_s)
    for told in hall.hall.events:
        journal.note(EventEntry(told.event))
    journal.turn()
    journal._close()
    with sqlite3.connect(folder / "journal.sqlite") as connection:
        return Counter(dict(connection.execute("SELECT outcome, count(*) FROM throws GROUP BY outcome").fetchall()))


@pytest.mark.parametrize("seed", range(12))
def test_behind_a_relay_no_ball_is_told_as_fed_that_was_not_pushed(tmp_path: Path, seed: int) -> None:
    """Bytes pass every 15 to 50 ms: count, journal, status and the driver's log hold what the board's own log holds."""
    with firmware(tmp_path) as board:
        hall = SerialHall(board, tmp_path)
        hall.watched.ok("load a-drill", drill_plan(hall.watched.on, sets=(7,)))
        hall.watched.ok("arm")
        hall.watched.ok(f"start {hall.watched.engine.parts.mode.stop_count}")
        behind_a_relay(board, seed)
        hall.hall.until_state("ARMED", "FAULT", "PAUSED", max_s=60.0)
        hall.hall.run_for(1.0)
        run = hall.watched.engine.parts.practice.run
        assert run is not None
        seen = snapshot(hall.watched.engine.parts, hall.hall.now_s)
    pushed = hall.count("push")
    told = Counter(str(e.fields["outcome"]) for e in hall.hall.events if e.topic == "ball")
    assert run.commanded == told["fed"] == pushed == seen.counts.commanded
    assert run.set_run.fed == pushed and len(run.tally.set_of) == pushed
    assert journal_of(hall.watched, tmp_path)["fed"] == pushed
    assert sum(event["event"] == "push_confirmed" for event in hall.log) == pushed
    asked = [event["id"] for event in hall.log if event["event"] == "feed"]
    lost = [event["id"] for event in hall.log if event["event"] == "push_lost"]
    assert len(asked) == pushed + len(lost) and (told["refused"] > 0) is (len(lost) > 0)
    assert not run.unknown


def test_a_relay_makes_some_pushes_come_too_late(tmp_path: Path) -> None:
    """The relay is slow enough to matter: over six drills pushes are passed over, and told as refused, by name."""
    reasons = []
    for seed in range(6):
        folder = tmp_path / str(seed)
        folder.mkdir()
        with firmware(folder) as board:
            hall = SerialHall(board, folder)
            hall.watched.ok("load a-drill", drill_plan(hall.watched.on, sets=(7,)))
            hall.watched.ok("arm")
            hall.watched.ok(f"start {hall.watched.engine.parts.mode.stop_count}")
            behind_a_relay(board, seed)
            hall.hall.until_state("ARMED", "FAULT", "PAUSED", max_s=60.0)
        reasons += [str(e.fields["reason"]) for e in hall.hall.events if e.fields.get("outcome") == "refused"]
    assert reasons.count("the board did not push it within 15 ms") >= 6


def results(hall: SerialHall) -> list[tuple[int, str]]:
    return [(result.id, result.result) for result in hall.hall.core.gate.ledger.results]


def before_a_push(board: VirtualFirmware, folder: Path, sets: tuple[int, ...] = (5,)) -> SerialHall:
    """Go on until two balls are fed and the third is about to be pushed."""
    hall = SerialHall(board, folder)
    hall.watched.ok("load a-drill", drill_plan(hall.watched.on, sets=sets))
    hall.watched.ok("arm")
    hall.watched.ok(f"start {hall.watched.engine.parts.mode.stop_count}")
    assert hall.hall.run_until(lambda: hall.watched.commanded == 2, 60.0)
    return hall


def test_until_a_report_shows_the_push_the_result_is_unknown(tmp_path: Path) -> None:
    """The board has pushed and its report is on its way: `unknown`, counted by nobody; with the report it is `done`."""
    with firmware(tmp_path) as board:
        hall = before_a_push(board, tmp_path)
        assert hall.hall.run_until(lambda: any(id == 3 for id, _ in results(hall)), 3.0)
        board.bend_in = lambda data: b""
        hall.hall.run_for(0.04)
        assert dict(results(hall))[3] == "unknown"
        assert hall.watched.commanded == 2 and hall.count("push") == 3
        board.bend_in = lambda data: data
        hall.hall.run_for(0.1)
        assert dict(results(hall))[3] == "done"
        assert hall.watched.commanded == 3
        feed = next(feed for feed in hall.watched.feeds() if feed["id"] == 3)
        told = next(result for result in hall.hall.core.gate.ledger.results if result.id == 3)
        assert feed["t"] <= told.at_s <= feed["t"] + 0.015


def unknown_ball(hall: SerialHall) -> None:
    """Cut the line in the moment after the third push: the board has pushed, nobody was told."""
    assert hall.hall.run_until(lambda: any(id == 3 for id, _ in results(hall)), 3.0)
    hall.board.run(6)  # the push line arrives and is carried out
    hall.board.unplugged = True
    assert hall.hall.until_state("FAULT", max_s=30.0)


def test_a_late_confirmation_is_a_result(tmp_path: Path) -> None:
    """The line comes back seconds later and the board shows the push: fed, in count, journal, status and marks."""
    with firmware(tmp_path) as board:
        hall = before_a_push(board, tmp_path)
        unknown_ball(hall)
        hall.hall.run_for(1.0)
        run = hall.watched.engine.parts.practice.run
        assert run is not None
        assert (run.commanded, run.unknown, dict(results(hall))[3]) == (2, 1, "unknown")
        last = snapshot(hall.watched.engine.parts, hall.hall.now_s).last_ball
        assert last is not None and (last.n, last.result) == (3, "unknown")
        assert hall.watched.refused("mark made ball 3") == "unknown-name"
        assert journal_of(hall.watched, tmp_path) == {"fed": 2, "unknown": 1}
        board.unplugged = False
        hall.hall.run_for(1.0)
        assert dict(results(hall))[3] == "done"
        assert (run.commanded, run.unknown) == (3, 0) and hall.count("push") == 3
        seen = snapshot(hall.watched.engine.parts, hall.hall.now_s)
        assert seen.last_ball is not None and (seen.last_ball.n, seen.last_ball.result) == (3, "fed")
        assert (seen.counts.commanded, seen.counts.unknown) == (3, 0)
        assert hall.watched.ok("mark made ball 3") == "ball 3 made"
    assert [text for text in hall.watched.told("ball") if text.startswith("3 ")][-1].endswith("fed")
    (tmp_path / "journal.sqlite").unlink()
    assert journal_of(hall.watched, tmp_path) == {"fed": 3}


def test_a_late_word_that_it_did_not_go_is_a_result_too(tmp_path: Path) -> None:
    """The line was cut before the push arrived: unknown, until the board is back and shows that it pushed nothing."""
    with firmware(tmp_path) as board:
        hall = before_a_push(board, tmp_path)
        board.bend_out = lambda data: b"" if data.startswith(b"push") else data
        assert hall.hall.run_until(lambda: any(id == 3 for id, _ in results(hall)), 3.0)
        board.unplugged = True
        assert hall.hall.until_state("FAULT", max_s=30.0)
        hall.hall.run_for(1.0)
        run = hall.watched.engine.parts.practice.run
        assert run is not None and (run.commanded, run.unknown) == (2, 1)
        board.unplugged = False
        hall.hall.run_for(1.0)
        assert dict(results(hall))[3] == "refused"
        assert (run.commanded, run.unknown, run.refused) == (2, 0, 1) and hall.count("push") == 2


def test_a_board_that_began_anew_leaves_its_last_push_unknown(tmp_path: Path) -> None:
    """Nobody can say what became of a push when the board lost its count: it stays unknown, and is not fed again."""
    with firmware(tmp_path) as board:
        hall = before_a_push(board, tmp_path)
        unknown_ball(hall)
        board.power_up()
        board.unplugged = False
        hall.hall.run_for(3.0)
        run = hall.watched.engine.parts.practice.run
        assert run is not None and (run.commanded, run.unknown) == (2, 1)
        assert dict(results(hall))[3] == "unknown"


def test_a_pause_in_the_middle_does_not_put_back_a_ball_that_may_have_gone(tmp_path: Path) -> None:
    """Paused while a push is not confirmed: the ball is not thrown a second time, and counts once the report comes."""
    with firmware(tmp_path) as board:
        hall = before_a_push(board, tmp_path, sets=(5,))
        assert hall.hall.run_until(lambda: any(id == 3 for id, _ in results(hall)), 3.0)
        board.bend_in = lambda data: b""
        hall.watched.ok("pause")
        hall.hall.run_for(0.08)
        board.bend_in = lambda data: data
        hall.hall.run_for(1.0)
        run = hall.watched.engine.parts.practice.run
        assert run is not None and (run.commanded, hall.count("push")) == (3, 3)
        hall.watched.ok("resume")
        assert hall.hall.until_state("ARMED", max_s=60.0)
        assert run.commanded == 5 == hall.count("push")


class SlowToTell:
    """Stands in for the board of a hall: of one ball it tells what became of its push when it is asked to."""

    def __init__(self, hall: WatchedHall, slow_id: int) -> None:
        self.gate, self.slow_id = hall.hall.core.gate, slow_id
        self.gate._confirming = self

    def push_answers(self) -> tuple[PushAnswer, ...]:
        told = [
            result for result in self.gate.ledger.results if result.result == "unknown" and result.id != self.slow_id
        ]
        return tuple(PushAnswer(answer.id, answer.at_s, answer.at_s) for answer in told)

    def tell(self, reason: str | None = None) -> None:
        """Let the slow one be known."""
        at_s = next(result.at_s for result in self.gate.ledger.results if result.id == self.slow_id)
        self.gate.ledger.answer(PushAnswer(self.slow_id, at_s, at_s, reason))


def outcomes_of(hall: WatchedHall, n: int) -> list[tuple[object, object]]:
    """Return set and outcome of each notice about a ball."""
    told = [event.fields for event in hall.hall.events if event.topic == "ball" and event.fields["n"] == n]
    return [(fields["set"], fields["outcome"]) for fields in told]


def test_the_daemon_counts_a_confirmation_that_comes_in_another_set() -> None:
    """Any driver may say `unknown`, and `done` when the next set has begun: the set it was thrown in has one more."""
    hall = WatchedHall()
    board = SlowToTell(hall, slow_id=3)
    hall.feeding(drill_plan(sets=(4, 2)), fed=2)
    assert hall.hall.until_state("RESTING")
    run = hall.engine.parts.practice.run
    assert run is not None and (run.commanded, run.unknown) == (3, 1)
    assert outcomes_of(hall, 3) == [(1, "unknown")]
    hall.ok("ready")
    board.tell()
    hall.hall.run_for(0.1)
    assert (run.commanded, run.unknown) == (4, 0)
    assert outcomes_of(hall, 3) == [(1, "unknown"), (1, "fed")]
    assert hall.ok("mark made 4 of 4 set 1") == "set 1: 4 of 4 made"
    assert hall.hall.until_state("ARMED", max_s=60.0)
    assert (run.commanded, run.seen) == (6, 6)


def test_a_confirmation_after_the_next_start_counts_for_the_run_it_belongs_to(tmp_path: Path) -> None:
    """Another run has begun when the driver knows: fed in the journal, and the new run counts its own alone."""
    hall = WatchedHall()
    board = SlowToTell(hall, slow_id=2)
    hall.feeding(drill_plan(sets=(2,)))
    assert hall.hall.until_state("ARMED", max_s=60.0)
    first = hall.engine.parts.practice.run
    hall.ok(f"start {hall.engine.parts.mode.stop_count}")
    board.tell()
    hall.hall.run_for(0.1)
    assert first is not None and (first.commanded, first.unknown) == (2, 0)
    assert hall.engine.parts.practice.run is not first and hall.commanded == 0
    assert journal_of(hall, tmp_path) == {"fed": 2}


@pytest.mark.parametrize(("slow_id", "pushes"), [(2, 5), (4, 4)], ids=["the set goes on", "the set is over"])
def test_a_ball_that_did_not_go_after_all_is_thrown_again_while_its_set_goes_on(slow_id: int, pushes: int) -> None:
    """Known too late for its place, soon enough for its set: thrown at the end; after the set it is counted alone."""
    hall = WatchedHall()
    board = SlowToTell(hall, slow_id)
    hall.started(drill_plan(sets=(4,)))
    run = hall.engine.parts.practice.run
    assert run is not None
    assert hall.hall.run_until(lambda: run.unknown == 1, 60.0)
    board.tell("the feeder was blocked")
    hall.hall.run_for(0.04)
    assert (run.unknown, run.refused) == (0, 1)
    assert hall.hall.until_state("ARMED", max_s=60.0)
    assert len(hall.feeds()) == pushes and run.commanded == pushes - 1
    assert len({event.fields["n"] for event in hall.hall.events if event.topic == "ball"}) == pushes


def test_an_unconfirmed_ball_is_neither_marked_nor_counted_as_a_jam() -> None:
    """Unknown balls that no sensor sees do not pause the run for a jam, and the warning in status names how many."""
    hall = WatchedHall()
    SlowToTell(hall, slow_id=2)
    hall.started(drill_plan(sets=(4,)))
    assert hall.hall.run_until(
        lambda: hall.engine.parts.practice.run is not None and hall.engine.parts.practice.run.unknown == 1, 60.0
    )
    assert hall.refused("mark made ball 2") == "unknown-name"
    warned = snapshot(hall.engine.parts, hall.hall.now_s).warnings
    assert "1 balls may have gone or not: neither confirmed nor refused by the driver" in warned


@pytest.mark.parametrize(
    ("pushes", "push_id", "ms", "answers"),
    [
        (11, 11, 110, {1: True}),
        (10, 10, 110, {}),
        (10, 10, 116, {1: False}),
        (12, 12, 126, {1: True, 2: True}),
        (11, 12, 126, {1: False, 2: True}),
        (10, 10, 140, {1: False, 2: False}),
    ],
    ids=["shown", "still time", "its time is past", "both shown by the count", "the second alone", "neither"],
)
def test_what_reports_prove_of_pushes(pushes: int, push_id: int, ms: int, answers: dict[int, bool]) -> None:
    """A report settles what it proves and nothing more: by number, by count, by the end of a push's time."""
    clock, found = BoardClock(100, 1.0), Pushes(forget)
    clock.see(100, 1.0)
    found.see(a_report(100, 10, 10), clock, 1.0)
    found.ask(1, a_report(100, 10, 10), clock, 1.0)
    if len(answers) == 2:
        found.ask(2, a_report(100, 10, 10), clock, 1.010)
    found.see(a_report(ms, pushes, push_id), clock, 1.050)
    assert {result.id: result.reason is None for result in found.answers()} == answers
    assert found.answers() == ()


def a_report(ms: int, pushes: int, push_id: int) -> Report:
    told = report(["now", str(ms), "7", "awake", *"----", str(pushes), str(push_id), "-", "-", "0", "0", "-"])
    assert told is not None
    return told
