"""Entries as the daemon notes them, made by hand, on a clock that begins at a Saturday morning."""

from datetime import datetime
from pathlib import Path
from typing import Any, Literal

from drillfeed.daemon.engine.events import BallLeft, BallSettled, SetBegan, SetMarked
from drillfeed.daemon.journal.entries import CommandEntry, Entry, EventEntry, PlayerEntry
from drillfeed.daemon.journal.players import add_player
from drillfeed.daemon.journal.writer import Journal
from drillfeed.protocol.errors import CODES
from drillfeed.protocol.spec import Caller

SATURDAY = datetime(2026, 3, 7, 10, 0)
PLAYER = Caller("player", "127.0.0.1", "127.0.0.1 port 50001")
COACH = Caller("coach", "192.0.2.10", "192.0.2.10 port 50002")


def journal_in(folder: Path, begins: datetime = SATURDAY, run: str = "run-a") -> Journal:
    """Make a journal whose second 0 is `begins`; the test turns it by hand."""
    return Journal(folder / "journal.sqlite", "club-build", run, wall_of=lambda at_s: begins.timestamp() + at_s)


def an_exit(at_s: float, n: int, seen: Literal[0, 1] = 1) -> EventEntry:
    """Ball `n` was seen leaving, or not; its feed has the id n + 100."""
    return EventEntry(BallLeft(at_s, n, n + 100, seen))


def a_mark(at_s: float, number: int, made: int, out_of: int) -> EventEntry:
    """A person marked a set."""
    return EventEntry(SetMarked(at_s, number, made, out_of, "player"))


def a_set(at_s: float, number: int = 1, drill: str = "lift-the-push", simulated: bool = False) -> EventEntry:
    return EventEntry(
        SetBegan(
            at_s=at_s,
            begins=True,
            set=number,
            of_sets=2,
            drill=drill,
            seed=7,
            balls=20,
            asked_per_min=40.0,
            tempo_per_min=36.5,
            simulated=simulated,
            title="push or topspin",
            sequence_kind="random",
            rung=0,
            warm_up=False,
            check_set=False,
        )
    )


def a_ball(
    at_s: float, n: int, ball: str = "light-push", number: int = 1, outcome: str = "fed", **more: Any
) -> EventEntry:
    known: dict[str, Any] = {
        "n": n, "id": n + 100, "ball": ball, "side": None, "set": number, "outcome": outcome, "reason": None,
        "planned_leaves_s": at_s, "speed_mps": 6.5, "spin_revps": -20.0, "side_revps": 0.0, "tilt_deg": 13.3,
        "pan_deg": None, "roll_deg": None, "top_rpm": 1100.0, "bottom_rpm": 2500.0, "late_ms": 0.4, "title": "",
    }  # fmt: skip
    return EventEntry(BallSettled(at_s, **{**known, **more}))


def ordered(at_s: float, line: str, caller: Caller = PLAYER, code: str | None = None) -> CommandEntry:
    return CommandEntry(at_s, line, caller, CODES[code] if code else None)


def write_all(journal: Journal, *entries: Entry) -> None:
    """Note entries and have them written."""
    for entry in entries:
        journal.note(entry)
    journal.turn()
    assert not journal.warnings()


def left_hander(journal: Journal) -> PlayerEntry:
    """Add a player by the name of left-hander and return the choice of that player."""
    answer = journal.ask(lambda connection: add_player(connection, "left-hander", "left", "junior", 0.0))
    journal.turn()
    return PlayerEntry(0.0, answer.result().id)
