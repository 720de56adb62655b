"""Writes the throws that an earlier daemon reported but could not commit.

Rule of this file: the run of the daemon and the feed id identify a throw. A throw that is already in the file is
skipped, so completing twice changes nothing. The player is no longer known and stays blank.
"""

import sqlite3
from collections.abc import Callable, Iterable
from dataclasses import replace

from drillfeed.daemon.engine.events import BallSettled, SetBegan
from drillfeed.daemon.journal.entries import QUIET_S, EventEntry, Place, write
from drillfeed.daemon.journal.last_throws import Kept

SAME_SET_S = 1.0
"""Sets with the same number that began within this time are the same set; the wall clock may have been corrected."""


def complete(connection: sqlite3.Connection, kept: Iterable[Kept], wall_of: Callable[[float], float]) -> int:
    """Write the events that are not in the file yet, all or none of them; return how many throws were written."""
    places: dict[str, Place] = {}
    written = 0
    connection.execute("BEGIN IMMEDIATE")
    try:
        for saved in kept:
            place = places.get(saved.run) or _last_place(connection, saved, wall_of(saved.event.at_s))
            known = _where(connection, saved, wall_of(saved.event.at_s))
            if known is not None:
                place = replace(
                    place, session_id=known[0], set_id=known[1], set_number=known[2], last_s=saved.event.at_s
                )
            else:
                place = write(connection, place, EventEntry(saved.event), wall_of(saved.event.at_s))
                written += isinstance(saved.event, BallSettled)
            places[saved.run] = place
        connection.execute("COMMIT")
    except BaseException:
        if connection.in_transaction:
            connection.execute("ROLLBACK")
        raise
    return written


def _last_place(connection: sqlite3.Connection, kept: Kept, at: float) -> Place:
    """Return the session and set in which a run ended, as far as the file tells."""
    place = Place(kept.run, kept.machine)
    row = connection.execute("SELECT id, last_at FROM sessions WHERE run = ? ORDER BY id DESC", (kept.run,)).fetchone()
    if row is None or at - row[1] > QUIET_S:
        return place
    place = replace(place, session_id=row[0], last_s=kept.event.at_s)
    row = connection.execute(
        "SELECT id, number FROM sets WHERE session_id = ? ORDER BY id DESC", (place.session_id,)
    ).fetchone()
    return place if row is None else replace(place, set_id=row[0], set_number=row[1])


def _where(connection: sqlite3.Connection, kept: Kept, at: float) -> tuple[int, int, int] | None:
    """Return session, set and set number if this throw or set is already in the file; else None."""
    values: tuple[object, ...]
    match kept.event:
        case BallSettled(id=feed_id):
            where, values = "throws.feed_id = ?", (feed_id,)
        case SetBegan(set=number):
            where, values = "sets.number = ? AND abs(sets.began_at - ?) < ?", (number, at, SAME_SET_S)
        case _:
            return None
    row = connection.execute(
        f"""
        SELECT sessions.id, sets.id, sets.number FROM sets JOIN sessions ON sessions.id = sets.session_id
        LEFT JOIN throws ON throws.set_id = sets.id WHERE sessions.run = ? AND {where} LIMIT 1
        """,
        (kept.run, *values),
    ).fetchone()
    return None if row is None else (row[0], row[1], row[2])
