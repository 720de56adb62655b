"""Reads the journal: sessions, one session in full, the balls of a day, shares made.

Rule of this file: it only reads. NULL stays None: a figure that was not measured, seen or entered is never 0. A mark on
a whole set counts for a ball type only if the set threw no other type.
"""

import sqlite3
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Any

from drillfeed.protocol.errors import refuse

DAY = timedelta(days=1)


@dataclass(frozen=True)
class SetRow:
    """One set. `made` of `out_of` as marked; `seen` by the exit sensor; `level` is the one whose limits applied."""

    id: int
    number: int
    of_sets: int | None
    drill: str | None
    seed: int | None
    player: str | None
    level: str | None
    began_at: float
    balls: int | None
    asked_per_min: float | None
    tempo_per_min: float | None
    simulated: bool | None
    commanded: int
    refused: int
    skipped: int
    unknown: int
    seen: int | None
    made: int | None
    out_of: int | None
    ball_types: tuple[str, ...]


@dataclass(frozen=True)
class SessionRow:
    """One session with its totals."""

    id: int
    machine: str
    began_at: float
    last_at: float
    players: tuple[str, ...]
    drills: tuple[str, ...]
    sets: int
    commanded: int
    seen: int | None
    made: int | None
    out_of: int | None
    faults: int
    simulated: bool | None


@dataclass(frozen=True)
class Session:
    """One session in full; the mappings are rows as stored in the file."""

    session: SessionRow
    sets: tuple[SetRow, ...]
    throws: tuple[Mapping[str, Any], ...]
    marks: tuple[Mapping[str, Any], ...]
    changes: tuple[Mapping[str, Any], ...]
    faults: tuple[Mapping[str, Any], ...]
    commands: tuple[Mapping[str, Any], ...]
    shares: tuple["Share", ...]


@dataclass(frozen=True)
class Share:
    """How many of one ball type were made: `made` of `marked`; `commanded` in all."""

    ball: str
    commanded: int
    marked: int
    made: int | None

    @property
    def percent(self) -> float | None:
        """Return the share made in percent; None if nothing was marked."""
        return None if self.made is None else 100 * self.made / self.marked


@dataclass(frozen=True)
class Load:
    """Balls of one player, or without a named player: today, and in seven days with today; simulated ones apart."""

    player: str | None
    level: str | None
    today: int
    seven_days: int
    simulated_today: int


def sessions(connection: sqlite3.Connection, player: str | None = None, since: float = 0.0) -> list[SessionRow]:
    """Return the sessions that ended at or after `since`, the newest first; only those of `player` if given."""
    rows = connection.execute("SELECT * FROM sessions WHERE last_at >= ? ORDER BY id DESC", (since,)).fetchall()
    of_session: dict[int, list[SetRow]] = {}
    for session_id, set_row in _sets(connection, None, player):
        of_session.setdefault(session_id, []).append(set_row)
    faults = dict(map(tuple, connection.execute("SELECT session_id, count(*) FROM faults GROUP BY session_id")))
    found = [_session_row(row, of_session.get(row["id"], []), faults.get(row["id"], 0)) for row in rows]
    return [session_row for session_row in found if player is None or session_row.sets]


def session(connection: sqlite3.Connection, number: int, player: str | None = None) -> Session:
    """Return one session in full; raise Refused if no session has that number."""
    row = connection.execute("SELECT * FROM sessions WHERE id = ?", (number,)).fetchone()
    if row is None:
        raise refuse("session.unknown", number=number)
    sets = [set_row for _, set_row in _sets(connection, number, player)]
    mine = {set_row.id for set_row in sets}

    def rows_of(table: str) -> tuple[Mapping[str, Any], ...]:
        found = connection.execute(f"SELECT * FROM {table} WHERE session_id = ? ORDER BY id", (number,))
        return tuple(dict(row) for row in found)

    def of_sets(table: str) -> tuple[Mapping[str, Any], ...]:
        return tuple(row for row in rows_of(table) if player is None or row["set_id"] in mine)

    return Session(
        session=_session_row(row, sets, len(rows_of("faults"))),
        sets=tuple(sets),
        throws=of_sets("throws"),
        marks=of_sets("marks"),
        changes=of_sets("changes"),
        faults=rows_of("faults"),
        commands=rows_of("commands"),
        shares=tuple(shares(connection, sets)),
    )


def loads(connection: sqlite3.Connection, now: datetime, player: str | None = None) -> list[Load]:
    """Return the balls of today and of seven days, by the local calendar, for each player who threw in them."""
    midnight = now.replace(hour=0, minute=0, second=0, microsecond=0)
    # Days by the calendar, not of 86,400 s, since the clocks change twice a year.
    week = (midnight - 6 * DAY).timestamp()
    rows = connection.execute(
        """
        SELECT players.name AS player, players.level AS level,
            coalesce(sum(throws.at >= :day AND NOT coalesce(sets.simulated, 0)), 0) AS today,
            coalesce(sum(NOT coalesce(sets.simulated, 0)), 0) AS seven_days,
            coalesce(sum(throws.at >= :day AND coalesce(sets.simulated, 0)), 0) AS simulated_today
        FROM throws JOIN sets ON sets.id = throws.set_id LEFT JOIN players ON players.id = sets.player_id
        WHERE throws.at >= :week AND throws.commanded = 1 AND (:player IS NULL OR players.name = :player)
        GROUP BY players.id ORDER BY players.id
        """,
        {"day": midnight.timestamp(), "week": week, "player": player},
    )
    return [Load(**dict(row)) for row in rows]


def balls_since(connection: sqlite3.Connection, machine: str, since: float) -> int:
    """Return how many balls a machine has thrown since a time, simulated ones left out."""
    row = connection.execute(
        """
        SELECT count(*) FROM throws
        JOIN sessions ON sessions.id = throws.session_id JOIN sets ON sets.id = throws.set_id
        WHERE sessions.machine = ? AND throws.at >= ? AND throws.commanded = 1 AND NOT coalesce(sets.simulated, 0)
        """,
        (machine, since),
    ).fetchone()
    return int(row[0])


def shares(connection: sqlite3.Connection, sets: list[SetRow]) -> list[Share]:
    """Return the share made by ball type over some sets, most thrown first."""
    commanded: dict[str, int] = {}
    marked: dict[str, int] = {}
    made: dict[str, int] = {}

    def count(ball: str, one_made: int, one_marked: int) -> None:
        marked[ball] = marked.get(ball, 0) + one_marked
        made[ball] = made.get(ball, 0) + one_made

    chosen = {set_row.id: set_row for set_row in sets}
    whole_marks = _set_marks(connection)
    for set_id, ball, balls, of_them, of_marked in connection.execute(
        "SELECT set_id, ball, count(*), sum(made), count(made) FROM throws "
        "WHERE commanded = 1 GROUP BY set_id, ball ORDER BY set_id, ball"
    ):
        set_row = chosen.get(set_id)
        if set_row is None:
            continue
        commanded[ball] = commanded.get(ball, 0) + balls
        alone = len(set_row.ball_types) == 1 and set_id in whole_marks
        if alone and set_row.made is not None and set_row.out_of is not None:
            count(ball, set_row.made, set_row.out_of)
        elif of_marked:
            count(ball, of_them, of_marked)
    found = [Share(ball, balls, marked.get(ball, 0), made.get(ball)) for ball, balls in commanded.items()]
    return sorted(found, key=lambda share: (-share.commanded, share.ball))


def all_sets(connection: sqlite3.Connection, player: str | None = None) -> list[SetRow]:
    """Return the sets of all sessions, only those of `player` if given."""
    return [set_row for _, set_row in _sets(connection, None, player)]


def _sets(connection: sqlite3.Connection, session_id: int | None, player: str | None) -> list[tuple[int, SetRow]]:
    """Return the sets with the session of each; one query a table, however many sets there are."""
    chosen = {"session": session_id, "player": player}
    rows = connection.execute(
        """
        SELECT sets.*, players.name AS player FROM sets LEFT JOIN players ON players.id = sets.player_id
        WHERE (:session IS NULL OR session_id = :session) AND (:player IS NULL OR players.name = :player)
        ORDER BY sets.id
        """,
        chosen,
    ).fetchall()
    parts: dict[int, list[sqlite3.Row]] = {}
    for part in connection.execute(
        """
        SELECT set_id, ball, coalesce(sum(outcome = 'fed'), 0) AS commanded,
            coalesce(sum(outcome = 'refused'), 0) AS refused, coalesce(sum(outcome = 'skipped'), 0) AS skipped,
            coalesce(sum(outcome = 'unknown'), 0) AS unknown, sum(seen) AS seen, sum(made) AS made,
            count(made) AS marked
        FROM throws WHERE :session IS NULL OR session_id = :session GROUP BY set_id, ball ORDER BY set_id, ball
        """,
        chosen,
    ):
        parts.setdefault(part["set_id"], []).append(part)
    marks = _set_marks(connection, session_id)
    return [(row["session_id"], _set_row(row, parts.get(row["id"], []), marks.get(row["id"]))) for row in rows]


def _set_row(row: sqlite3.Row, parts: list[sqlite3.Row], mark: tuple[int, int] | None) -> SetRow:
    """Return one set; `parts` are its throws summed for each ball type, `mark` is the one on the whole set."""
    made, out_of = (
        mark
        if mark is not None
        else (_sum(part["made"] for part in parts), sum(part["marked"] for part in parts) or None)
    )
    return SetRow(
        **{name: row[name] for name in ("id", "number", "of_sets", "drill", "seed", "player", "began_at", "balls")},
        level=row["level"],
        asked_per_min=row["asked_per_min"],
        tempo_per_min=row["tempo_per_min"],
        simulated=None if row["simulated"] is None else bool(row["simulated"]),
        **{name: sum(part[name] for part in parts) for name in ("commanded", "refused", "skipped", "unknown")},
        seen=_sum(part["seen"] for part in parts),
        made=made,
        out_of=out_of,
        ball_types=tuple(part["ball"] for part in parts),
    )


def _set_marks(connection: sqlite3.Connection, session_id: int | None = None) -> dict[int, tuple[int, int]]:
    """Return the last mark on each whole set, which overrides the marks on its balls."""
    rows = connection.execute(
        "SELECT set_id, made, out_of FROM marks WHERE throw_id IS NULL AND (:session IS NULL OR session_id = :session) "
        "ORDER BY id",
        {"session": session_id},
    )
    return {set_id: (made, out_of) for set_id, made, out_of in rows}


def _session_row(row: sqlite3.Row, sets: list[SetRow], faults: int) -> SessionRow:
    simulated = {set_row.simulated for set_row in sets}
    return SessionRow(
        id=row["id"],
        machine=row["machine"],
        began_at=row["began_at"],
        last_at=row["last_at"],
        players=tuple(dict.fromkeys(set_row.player for set_row in sets if set_row.player)),
        drills=tuple(dict.fromkeys(set_row.drill for set_row in sets if set_row.drill)),
        sets=len(sets),
        commanded=sum(set_row.commanded for set_row in sets),
        seen=_sum(set_row.seen for set_row in sets),
        made=_sum(set_row.made for set_row in sets),
        out_of=_sum(set_row.out_of for set_row in sets),
        faults=faults,
        simulated=simulated.pop() if len(simulated) == 1 else None,
    )


def _sum(figures: Iterable[int | None]) -> int | None:
    known = [figure for figure in figures if figure is not None]
    return sum(known) if known else None
