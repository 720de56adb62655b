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
    found = [_session_row(connection, row, player) for row in rows]
    return [session_row for session_row in found if player is None or session_row.sets]


def session(connection: sqlite3.Connection, number: int, player: str | None = None) -> Session:
    """Return one session in full; raise Refused if no session has that number."""
    row = connection.execute("SELECT * FROM sessions WHERE id = ?", (number,)).fetchone()
    if row is None:
        raise refuse("session.unknown", number=number)
    sets = _sets(connection, number, player)
    mine = {set_row.id for set_row in sets}

    def rows_of(table: str) -> tuple[Mapping[str, Any], ...]:
        found = connection.execute(f"SELECT * FROM {table} WHERE session_id = ? ORDER BY id", (number,))
        return tuple(dict(row) for row in found)

    def of_sets(table: str) -> tuple[Mapping[str, Any], ...]:
        return tuple(row for row in rows_of(table) if player is None or row["set_id"] in mine)

    return Session(
        session=_session_row(connection, row, player),
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

    for set_row in sets:
        whole = set_row.out_of if len(set_row.ball_types) == 1 and _set_mark(connection, set_row.id) else None
        if whole is not None and set_row.made is not None:
            count(set_row.ball_types[0], set_row.made, whole)
        for ball, balls, of_them, of_marked in connection.execute(
            "SELECT ball, count(*), sum(made), count(made) FROM throws "
            "WHERE set_id = ? AND commanded = 1 GROUP BY ball",
            (set_row.id,),
        ):
            commanded[ball] = commanded.get(ball, 0) + balls
            if of_marked and whole is None:
                count(ball, of_them, of_marked)
    found = [Share(ball, balls, marked.get(ball, 0), made.get(ball)) for ball, balls in commanded.items()]
    return sorted(found, key=lambda share: (-share.commanded, share.ball))


def all_sets(connection: sqlite3.Connection, player: str | None = None) -> list[SetRow]:
    """Return the sets of all sessions, only those of `player` if given."""
    return _sets(connection, None, player)


def _sets(connection: sqlite3.Connection, session_id: int | None, player: str | None) -> list[SetRow]:
    rows = connection.execute(
        """
        SELECT sets.*, players.name AS player FROM sets LEFT JOIN players ON players.id = sets.player_id
        WHERE (:session IS NULL OR session_id = :session) AND (:player IS NULL OR players.name = :player)
        ORDER BY sets.id
        """,
        {"session": session_id, "player": player},
    )
    return [_set_row(connection, row) for row in rows.fetchall()]


def _set_row(connection: sqlite3.Connection, row: sqlite3.Row) -> SetRow:
    sums = connection.execute(
        """
        SELECT coalesce(sum(outcome = 'fed'), 0) AS commanded, coalesce(sum(outcome = 'refused'), 0) AS refused,
            coalesce(sum(outcome = 'skipped'), 0) AS skipped, coalesce(sum(outcome = 'unknown'), 0) AS unknown,
            sum(seen) AS seen, sum(made) AS made, count(made) AS marked
        FROM throws WHERE set_id = ?
        """,
        (row["id"],),
    ).fetchone()
    mark = _set_mark(connection, row["id"])
    made, out_of = mark if mark is not None else (sums["made"], sums["marked"] or None)
    types = connection.execute("SELECT DISTINCT ball FROM throws WHERE set_id = ? ORDER BY ball", (row["id"],))
    return SetRow(
        **{name: row[name] for name in ("id", "number", "of_sets", "drill", "seed", "player", "began_at", "balls")},
        level=row["level"] if "level" in row.keys() else None,  # noqa: SIM118
        asked_per_min=row["asked_per_min"],
        tempo_per_min=row["tempo_per_min"],
        simulated=None if row["simulated"] is None else bool(row["simulated"]),
        **{name: sums[name] for name in ("commanded", "refused", "skipped", "unknown", "seen")},
        made=made,
        out_of=out_of,
        ball_types=tuple(type_row[0] for type_row in types),
    )


def _set_mark(connection: sqlite3.Connection, set_id: int) -> tuple[int, int] | None:
    """Return the last mark on a whole set, which overrides the marks on its balls; None if there is none."""
    row = connection.execute(
        "SELECT made, out_of FROM marks WHERE set_id = ? AND throw_id IS NULL ORDER BY id DESC LIMIT 1", (set_id,)
    ).fetchone()
    return None if row is None else (row["made"], row["out_of"])


def _session_row(connection: sqlite3.Connection, row: sqlite3.Row, player: str | None) -> SessionRow:
    sets = _sets(connection, row["id"], player)
    faults = connection.execute("SELECT count(*) FROM faults WHERE session_id = ?", (row["id"],)).fetchone()[0]
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
