"""Reads the practice of one player for the estimate: one query a table, then arrays.

Rule of this file: it only reads. Left out are simulated sets, balls that were refused or skipped, and balls that the
exit sensor says never left. A warm-up is read and marked as one, so that what estimates leaves it out. A set is told by
its last mark as a whole; without one, by the marks on its balls; with neither it is unmarked, which is not missed.
"""

import sqlite3
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime
from itertools import groupby

import numpy as np
from numpy.typing import NDArray

Ints = NDArray[np.int64]
Floats = NDArray[np.float64]

FREE = ("random", "quota", "scenario")
"""Kinds of sequence in which the player does not know which ball comes next."""


@dataclass(frozen=True)
class Part:
    """The balls of one type in one set: how many went, what was marked ball by ball, and what made them hard.

    `spin_change_revps` is the mean change of spin against the ball before, `balls_so_far` the mean number of balls of
    the session before them.
    """

    ball: str
    balls: int
    made: int
    marked: int
    spin_change_revps: float
    balls_so_far: float


@dataclass(frozen=True)
class WholeMark:
    """A mark on a whole set."""

    made: int
    out_of: int
    marked_by: str | None
    way: str | None
    at: float


@dataclass(frozen=True)
class PracticeSet:
    """One set with its parts, in the order in which the types first came, and all marks on it as a whole, in order.

    None stands for what the journal does not know. `order` holds the types of its balls in the order thrown, for a
    check set only.
    """

    id: int
    session_id: int
    drill: str | None
    title: str | None
    level: str | None
    began_at: float
    tempo_per_min: float | None
    sequence_kind: str | None
    rung: int | None
    warm_up: bool
    check_set: bool
    rest_s: float | None
    planned_balls: int | None
    parts: tuple[Part, ...]
    marks: tuple[WholeMark, ...]
    order: tuple[str, ...] = ()

    @property
    def day(self) -> date:
        """Return the day of the set by the local calendar."""
        return datetime.fromtimestamp(self.began_at).date()

    @property
    def week(self) -> int:
        """Return the number of the set's week."""
        return week_of(self.day)

    @property
    def balls(self) -> int:
        """Return how many balls went."""
        return sum(part.balls for part in self.parts)

    @property
    def whole(self) -> WholeMark | None:
        """Return the mark on the whole set that stands: the last one."""
        return self.marks[-1] if self.marks else None

    @property
    def made_of(self) -> tuple[int, int] | None:
        """Return how many were made of how many as marked; None if nobody marked."""
        if self.whole is not None:
            return self.whole.made, self.whole.out_of
        marked = sum(part.marked for part in self.parts)
        return (sum(part.made for part in self.parts), marked) if marked else None

    @property
    def random(self) -> float:
        """Return 1 if the player could not know the next ball, 0 if it was known, one half if the file can't tell."""
        if self.check_set or self.sequence_kind in FREE:
            return 1.0
        return 0.5 if self.sequence_kind is None and len(self.parts) > 1 else 0.0


def week_of(day: date) -> int:
    """Return the number of the week that a day lies in; weeks begin on Monday."""
    return (day.toordinal() - 1) // 7


def monday_of(week: int) -> date:
    """Return the first day of a week."""
    return date.fromordinal(week * 7 + 1)


def read_practice(connection: sqlite3.Connection, player_id: int | None) -> tuple[PracticeSet, ...]:
    """Return the sets of a player, or of nobody in particular (None), the oldest first; simulated ones left out."""
    cursor = connection.cursor()
    cursor.row_factory = None
    of_player = "NOT coalesce(sets.simulated, 0) AND sets.player_id IS ?"
    rows = cursor.execute(
        f"""
        SELECT id, session_id, drill, title, level, began_at, tempo_per_min, sequence_kind, rung,
            coalesce(warm_up, 0), coalesce(check_set, 0), rest_s, balls
        FROM sets WHERE {of_player} ORDER BY id
        """,
        (player_id,),
    ).fetchall()
    throws = cursor.execute(
        f"""
        SELECT throws.set_id, throws.session_id, throws.ball, throws.spin_revps, throws.made
        FROM throws JOIN sets ON sets.id = throws.set_id
        WHERE throws.commanded = 1 AND coalesce(throws.seen, 1) AND {of_player} ORDER BY throws.id
        """,
        (player_id,),
    ).fetchall()
    marks = cursor.execute(
        f"""
        SELECT marks.set_id, marks.made, marks.out_of, marks.marked_by, marks.way, marks.at
        FROM marks JOIN sets ON sets.id = marks.set_id
        WHERE marks.throw_id IS NULL AND {of_player} ORDER BY marks.set_id, marks.id
        """,
        (player_id,),
    ).fetchall()
    whole = {key: tuple(WholeMark(*mark[1:]) for mark in some) for key, some in groupby(marks, lambda mark: mark[0])}
    parts = _parts(throws)
    checks = {row[0] for row in rows if row[10]}
    orders: dict[int, list[str]] = {key: [] for key in checks}
    if checks:
        for throw in throws:
            if throw[0] in checks:
                orders[throw[0]].append(throw[2])
    return tuple(
        PracticeSet(
            id=row[0],
            session_id=row[1],
            drill=row[2],
            title=row[3],
            level=row[4],
            began_at=row[5],
            tempo_per_min=row[6],
            sequence_kind=row[7],
            rung=row[8],
            warm_up=bool(row[9]),
            check_set=bool(row[10]),
            rest_s=row[11],
            planned_balls=row[12],
            parts=parts.get(row[0], ()),
            marks=whole.get(row[0], ()),
            order=tuple(orders.get(row[0], ())),
        )
        for row in rows
    )


def _parts(throws: Sequence[tuple[int, int, str, float | None, int | None]]) -> Mapping[int, tuple[Part, ...]]:
    """Return the parts of each set."""
    if not throws:
        return {}
    set_ids, session_ids, balls, spins, made = zip(*throws, strict=True)
    names = list(dict.fromkeys(balls))
    place = {name: number for number, name in enumerate(names)}
    sets, set_place = np.unique(np.array(set_ids), return_inverse=True)
    key = set_place * len(names) + np.array([place[ball] for ball in balls])
    spin = np.array(spins, dtype=float)
    new_set = np.r_[True, set_place[1:] != set_place[:-1]]
    turn = np.nan_to_num(np.where(new_set, 0.0, np.abs(np.diff(spin, prepend=spin[0]))))
    session = np.array(session_ids)
    began = np.maximum.accumulate(np.where(np.r_[True, session[1:] != session[:-1]], np.arange(len(session)), 0))
    marks = np.array(made, dtype=float)
    columns = {
        "balls": np.ones(len(key)),
        "made": np.nan_to_num(marks),
        "marked": ~np.isnan(marks),
        "turn": turn,
        "so_far": np.arange(len(session)) - began,
    }
    keys, first, inverse = np.unique(key, return_index=True, return_inverse=True)
    sums = {name: np.bincount(inverse, weights=column) for name, column in columns.items()}
    found: dict[int, list[Part]] = {}
    for number in np.argsort(first, kind="stable").tolist():
        count = sums["balls"][number]
        part = Part(
            names[keys[number] % len(names)],
            int(count),
            int(sums["made"][number]),
            int(sums["marked"][number]),
            float(sums["turn"][number] / count),
            float(sums["so_far"][number] / count),
        )
        found.setdefault(int(sets[keys[number] // len(names)]), []).append(part)
    return {key: tuple(some) for key, some in found.items()}
