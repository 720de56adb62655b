"""What goes into the journal, and the rows that each kind of entry writes.

Rule of this file: an entry is a value made on any thread; only the writer's thread turns it into rows. An unknown
figure is NULL, never 0. A `Place` says where in the practice an entry belongs. It is a value too, so a batch that could
not be written leaves no trace.
"""

import json
import sqlite3
from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import TypeGuard, assert_never, get_args

from drillfeed.daemon.engine.events import (
    BallLeft,
    BallMarked,
    BallSettled,
    ChangeDropped,
    ChangeInForce,
    ChangeWaits,
    DrillLoaded,
    DrillQueued,
    Event,
    FaultLatched,
    QueuedDrillLoaded,
    SetBegan,
    SetEnded,
    SetMarked,
    figures,
)
from drillfeed.daemon.engine.wording import sentence
from drillfeed.protocol.errors import ErrorCode
from drillfeed.protocol.plain import plain_lines
from drillfeed.protocol.spec import Caller

# After this time without an entry, by the monotonic clock, a new session begins: a default of ours.
QUIET_S = 3600.0
SET_COLUMNS = (
    "drill", "seed", "of_sets", "balls", "asked_per_min", "tempo_per_min", "simulated", "title", "sequence_kind",
    "rung", "warm_up", "check_set",
)  # fmt: skip
COMMANDED: Mapping[str, int | None] = {"fed": 1, "refused": 0, "skipped": 0}


@dataclass(frozen=True)
class EventEntry:
    """An event of the engine."""

    event: Event

    @property
    def at_s(self) -> float:
        """Return the time of the event on the daemon's monotonic clock."""
        return self.event.at_s


@dataclass(frozen=True)
class CommandEntry:
    """A command, who gave it, and the answer; `code` is None if it was done."""

    at_s: float
    line: str
    caller: Caller
    code: ErrorCode | None


@dataclass(frozen=True)
class PlayerEntry:
    """The player from the next set on, with the level whose limits apply; None if nobody was named."""

    at_s: float
    player_id: int | None
    level: str | None = None


Entry = EventEntry | CommandEntry | PlayerEntry
Change = ChangeWaits | ChangeInForce | DrillQueued | QueuedDrillLoaded | ChangeDropped
Written = SetBegan | SetEnded | DrillLoaded | BallSettled | BallLeft | BallMarked | SetMarked | FaultLatched | Change
WRITTEN: tuple[type, ...] = get_args(Written)
"""The events that belong to a session; the journal keeps no others."""


def is_written(event: Event) -> TypeGuard[Written]:
    """Tell whether an event goes into the journal."""
    return isinstance(event, WRITTEN)


@dataclass(frozen=True)
class Place:
    """The writer's position: the daemon's run and machine, the session, the set, its player and the player's level."""

    run: str
    machine: str
    session_id: int | None = None
    set_id: int | None = None
    set_number: int | None = None
    player_id: int | None = None
    level: str | None = None
    last_s: float = 0.0


def write(connection: sqlite3.Connection, place: Place, entry: Entry, at: float) -> Place:
    """Write one entry of the wall-clock time `at`; return the place after it."""
    if isinstance(entry, PlayerEntry):
        return replace(place, player_id=entry.player_id, level=entry.level)
    if isinstance(entry, CommandEntry):
        place = _in_session(connection, place, entry.at_s, at)
        _insert(
            connection,
            "commands",
            session_id=place.session_id,
            at=at,
            line=entry.line,
            role=entry.caller.role,
            caller=entry.caller.name,
            came_from=entry.caller.where,
            code=entry.code.number if entry.code else None,
            code_name=entry.code.name if entry.code else None,
        )
        return place
    event = entry.event
    if not is_written(event):
        return place
    return _write_event(connection, _in_session(connection, place, entry.at_s, at), event, at)


def _in_session(connection: sqlite3.Connection, place: Place, at_s: float, at: float) -> Place:
    if place.session_id is None or at_s - place.last_s > QUIET_S:
        session_id = _insert(connection, "sessions", run=place.run, machine=place.machine, began_at=at, last_at=at)
        return replace(place, session_id=session_id, set_id=None, set_number=None, last_s=at_s)
    connection.execute("UPDATE sessions SET last_at = max(last_at, ?) WHERE id = ?", (at, place.session_id))
    return replace(place, last_s=at_s)


def _write_event(connection: sqlite3.Connection, place: Place, event: Written, at: float) -> Place:
    """Write an event that belongs to a session; return the place after it."""
    match event:
        case SetBegan():
            known = {column: getattr(event, column) for column in SET_COLUMNS}
            return _new_set(connection, place, event.set, known, at)
        case BallSettled():
            return _throw(connection, place, event, at)
        case BallLeft():
            connection.execute(
                "UPDATE throws SET seen = ? WHERE session_id = ? AND feed_id = ?",
                (event.seen, place.session_id, event.id),
            )
        case BallMarked() | SetMarked():
            _mark(connection, place, event, at)
        case FaultLatched():
            known = {column: getattr(event, column) for column in ("cause", "hint", "next_step", "recent")}
            _insert(connection, "faults", session_id=place.session_id, at=at, what=event.seen, **known)
        case DrillLoaded() | SetEnded():
            pass  # they extend the session and have no row of their own
        case ChangeWaits() | ChangeInForce() | DrillQueued() | QueuedDrillLoaded() | ChangeDropped():
            _change(connection, place, event, at)
        case _:
            assert_never(event)
    return place


def _new_set(
    connection: sqlite3.Connection, place: Place, number: int, known: Mapping[str, object], at: float
) -> Place:
    """Begin a set with the columns that are known, and the time since the last ball of the set before it."""
    last = None
    if place.set_id is not None:
        last = connection.execute("SELECT max(at) FROM throws WHERE set_id = ?", (place.set_id,)).fetchone()[0]
    set_id = _insert(
        connection,
        "sets",
        session_id=place.session_id,
        player_id=place.player_id,
        level=place.level,
        number=number,
        began_at=at,
        rest_s=None if last is None or not known else max(at - last, 0.0),
        **known,
    )
    return replace(place, set_id=set_id, set_number=number)


def _throw(connection: sqlite3.Connection, place: Place, event: BallSettled, at: float) -> Place:
    if _revised(connection, place, event):
        return place
    if place.set_id is None or place.set_number != event.set:
        # The event that began the set was lost, so only its number is known.
        place = _new_set(connection, place, event.set, {}, at)
    head = ("tilt_deg", "pan_deg", "roll_deg", "top_rpm", "bottom_rpm")
    columns = ("n", "ball", "outcome", "reason", "speed_mps", "spin_revps", "side_revps", "fitted", "late_ms", *head)
    _insert(
        connection,
        "throws",
        "ON CONFLICT (session_id, feed_id) DO NOTHING",
        session_id=place.session_id,
        set_id=place.set_id,
        feed_id=event.id,
        at=at,
        commanded=COMMANDED.get(str(event.outcome)),
        **{column: getattr(event, column) for column in columns},
    )
    return place


def _revised(connection: sqlite3.Connection, place: Place, event: BallSettled) -> bool:
    """Complete the row of a throw whose outcome was unknown; return whether the throw already has a row."""
    found = connection.execute(
        "SELECT id, outcome FROM throws WHERE session_id = ? AND feed_id = ?", (place.session_id, event.id)
    ).fetchone()
    if found is None:
        return False
    if found[1] == "unknown":
        connection.execute(
            "UPDATE throws SET outcome = ?, reason = ?, commanded = ?, late_ms = ? WHERE id = ?",
            (event.outcome, event.reason, COMMANDED.get(str(event.outcome)), event.late_ms, found[0]),
        )
    return True


def _mark(connection: sqlite3.Connection, place: Place, event: BallMarked | SetMarked, at: float) -> None:
    set_id = _latest(connection, "sets WHERE session_id = ? AND number = ?", place.session_id, event.set)
    throw_id = None
    if isinstance(event, BallMarked):
        throw_id = _latest(connection, "throws WHERE set_id = ? AND n = ? AND commanded = 1", set_id, event.n)
        connection.execute("UPDATE throws SET made = ? WHERE id = ?", (event.made, throw_id))
    _insert(
        connection,
        "marks",
        session_id=place.session_id,
        set_id=set_id,
        throw_id=throw_id,
        at=at,
        made=event.made,
        out_of=event.out_of,
        marked_by=event.by,
    )


def _change(connection: sqlite3.Connection, place: Place, event: Change, at: float) -> None:
    known = dict(figures(event))
    _insert(
        connection,
        "changes",
        session_id=place.session_id,
        set_id=place.set_id,
        at=at,
        n=known.get("n"),
        what=sentence(event),
        fields=json.dumps(known),
    )


def _insert(connection: sqlite3.Connection, table: str, conflict: str = "", /, **values: object) -> int:
    names, places = ", ".join(values), ", ".join("?" * len(values))
    text = f"INSERT INTO {table} ({names}) VALUES ({places}) {conflict}"
    return int(connection.execute(text, tuple(map(_kept, values.values()))).lastrowid or 0)


def _kept(value: object) -> object:
    """Return a value as it is stored: every line of a text made plain, whoever wrote it."""
    return plain_lines(value) if isinstance(value, str) else value


def _latest(connection: sqlite3.Connection, where: str, *values: object) -> int | None:
    found = connection.execute(f"SELECT max(id) FROM {where}", values).fetchone()
    return None if found[0] is None else int(found[0])
