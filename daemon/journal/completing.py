"""What an earlier daemon told and could not commit, written down by the next one.

Rule of this file: a throw is known by the run of the daemon and its feed id; one that stands in the file is passed
over, so completing twice changes nothing. Who played is not known any more and stays blank.
"""

import sqlite3
from collections.abc import Callable, Iterable
from dataclasses import replace

from drillfeed.daemon.engine.events import BallSettled, SetBegan
from drillfeed.daemon.journal.entries import QUIET_S, EventEntry, Place, write
from drillfeed.daemon.journal.last_throws import Kept

SAME_SET_S = 1.0
"""A set of the same number that began this near is the same one; the wall clock may have been put right since."""


def complete(connection: sqlite3.Connection, kept: Iterable[Kept], wall_of: Callable[[float], float]) -> int:
    """Write what is not in the file yet, the whole of it or nothing; return how many throws that were."""
    places: dict[str, Place] = {}
    written = 0
    connection.execute("BEGIN IMMEDIATE")
    try:
        for one in kept:
            place = places.get(one.run) or _last_place(connection, one, wall_of(one.event.at_s))
            known = _where(connection, one, wall_of(one.event.at_s))
            if known is not None:
                place = replace(place, session_id=known[0], set_id=known[1], set_number=known[2], last_s=one.event.at_s)
            else:
                place = write(connection, place, EventEntry(one.event), wall_of(one.event.at_s))
                written += isinstance(one.event, BallSettled)
            places[one.run] = place
        connection.execute("COMMIT")
    except BaseException:
        if connection.in_transaction:
            connection.execute("ROLLBACK")
        raise
    return written


def _last_place(connection: sqlite3.Connection, one: Kept, at: float) -> Place:
    """Return where the writing of a run stood when it ended, as far as the file tells."""
    place = Place(one.run, one.machine)
    row = connection.execute("SELECT id, last_at FROM sessions WHERE run = ? ORDER BY id DESC", (one.run,)).fetchone()
    if row is None or at - row[1] > QUIET_S:
        return place
    place = replace(place, session_id=row[0], last_s=one.event.at_s)
    row = connection.execute(
        "SELECT id, number FROM sets WHERE session_id = ? ORDER BY id DESC", (place.session_id,)
    ).fetchone()
    return place if row is None else replace(place, set_id=row[0], set_number=row[1])


def _where(connection: sqlite3.Connection, one: Kept, at: float) -> tuple[int, int, int] | None:
    """Return session, set and number of the set where this very throw or set stands already; None where it does not."""
    values: tuple[object, ...]
    match one.event:
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
        (one.run, *values),
    ).fetchone()
    return None if row is None else (row[0], row[1], row[2])
