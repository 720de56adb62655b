"""A player's practice as plain tables with a description of their columns.

Rule of this file: names are plain, units stand in the name, times are ISO 8601 with their zone, and what is not known
is empty, never 0. Without names a player is a number. A junior's times are cut to the Monday of the week. The estimate
made from the tables is the one made from the journal.
"""

import sqlite3
from collections.abc import Mapping, Sequence
from dataclasses import asdict
from datetime import date, datetime, time
from typing import Any

import numpy as np

from drillfeed.daemon.journal.knowledge import Knowledge
from drillfeed.daemon.journal.practice import monday_of, week_of
from drillfeed.daemon.learning.changes import WINDOW_WEEKS
from drillfeed.daemon.learning.model import HOUSE, VERSION
from drillfeed.daemon.learning.season import RANDOM, TEMPO, TEMPO_UNIT_PER_MIN, USUAL_TEMPO_PER_MIN

Rows = list[dict[str, Any]]

COLUMNS: Mapping[str, Mapping[str, tuple[str, str]]] = {
    "sets": {
        "set": ("integer", "number of the set in the journal"),
        "session": ("integer", "number of the session"),
        "player": ("string", "who played; a number unless names were asked for"),
        "began_at": ("string", "local time with zone; of a junior the Monday of the week"),
        "drill": ("string", "name of the drill"),
        "title": ("string", "title of the set"),
        "level": ("string", "level whose limits applied"),
        "number": ("integer", "place of the set in its run"),
        "balls": ("integer", "balls planned"),
        "asked_per_min": ("number", "tempo asked for, balls a minute"),
        "tempo_per_min": ("number", "tempo as it ran, balls a minute"),
        "sequence_kind": ("string", "fixed, rotating, random, quota or scenario"),
        "rung": ("integer", "step of the ladder; 0 as written, negative easier"),
        "warm_up": ("integer", "1 if the set warmed up"),
        "check_set": ("integer", "1 if the set is compared with other days"),
        "rest_s": ("number", "seconds from the last ball before to the countdown"),
    },
    "balls": {
        "set": ("integer", "the set"),
        "n": ("integer", "number of the ball in its run"),
        "ball": ("string", "ball type"),
        "at": ("string", "local time with zone; of a junior empty"),
        "outcome": ("string", "fed, refused, skipped, unknown"),
        "commanded": ("integer", "1 if the driver pushed it"),
        "seen": ("integer", "1 if the exit sensor saw it leave, 0 if it should have and did not"),
        "made": ("integer", "1 made, 0 missed, as marked; empty if nobody marked it"),
        "speed_mps": ("number", "speed at launch"),
        "spin_revps": ("number", "topspin at launch; negative is backspin"),
        "side_revps": ("number", "sidespin at launch, to the thrower's left"),
    },
    "marks": {
        "set": ("integer", "the set"),
        "n": ("integer", "number of the ball; empty for a mark on the whole set"),
        "at": ("string", "when it was marked; of a junior empty"),
        "made": ("integer", "how many were made"),
        "out_of": ("integer", "of how many"),
        "marked_by": ("string", "role of who marked"),
        "way": ("string", "pedal, count, tap or keyboard"),
        "net": ("integer", "missed balls in the net, if said"),
        "long": ("integer", "missed balls that were long, if said"),
        "delay_s": ("number", "seconds from the ball to the press"),
    },
    "estimates": {
        "player": ("string", "who played"),
        "week": ("string", "Monday of the week"),
        "ball": ("string", "ball type"),
        "random_share": ("number", "share of random order that the estimate is for"),
        "tempo_per_min": ("number", "tempo that the estimate is for"),
        "made_share": ("number", "estimated share made, 0 to 1"),
        "low_50": ("number", "lower end of the 50 % interval"),
        "high_50": ("number", "upper end of the 50 % interval"),
        "low_90": ("number", "lower end of the 90 % interval"),
        "high_90": ("number", "upper end of the 90 % interval"),
        "marked_balls": ("number", "marked balls of the type in the week"),
        "marked_balls_so_far": ("number", "marked balls of the type up to the week"),
        "last_seen": ("string", "day on which the type was last thrown; of a junior the Monday"),
        "model": ("string", "name of the model"),
    },
    "changes": {
        "player": ("string", "who played"),
        "ball": ("string", "ball type"),
        "word": ("string", "clearly up, clearly down, or can't tell yet"),
        "points": ("number", "change of the share, 0.1 is 10 points"),
        "marked_before": ("integer", "marked balls in the first three weeks"),
        "marked_now": ("integer", "marked balls in the last three weeks"),
    },
}


def tables(
    connection: sqlite3.Connection, known: Knowledge, player_id: int | None, name: str, coarse: bool, since: date | None
) -> dict[str, Rows]:
    """Return the five tables. `coarse` cuts times to the week; `since` leaves out older sets, not older estimates."""
    begin = datetime.combine(since, time()).timestamp() if since is not None else 0.0
    until = datetime.combine(known.today, time(23, 59, 59)).timestamp()
    where = "sets.player_id IS ? AND NOT coalesce(sets.simulated, 0) AND sets.began_at BETWEEN ? AND ?"
    values = (player_id, begin, until)
    sets = _rows(
        connection,
        "sets",
        f'SELECT sets.*, id AS "set", session_id AS session, ? AS player FROM sets WHERE {where} ORDER BY id',
        (name, *values),
    )
    balls = _rows(
        connection,
        "balls",
        f'SELECT throws.*, set_id AS "set" FROM throws JOIN sets ON sets.id = set_id WHERE {where} ORDER BY throws.id',
        values,
    )
    marks = _rows(
        connection,
        "marks",
        f'SELECT marks.*, marks.set_id AS "set", throws.n AS n FROM marks JOIN sets ON sets.id = marks.set_id '
        f"LEFT JOIN throws ON throws.id = throw_id WHERE {where} ORDER BY marks.id",
        values,
    )
    for row in sets:
        row["began_at"] = _week_time(row["began_at"]) if coarse else _time(row["began_at"])
    for row in (*balls, *marks):
        row["at"] = None if coarse else _time(row["at"])
    return {
        "sets": sets,
        "balls": balls,
        "marks": marks,
        "estimates": _estimates(known, name, coarse),
        "changes": _changes(known, name),
    }


def description(given: Mapping[str, Rows], form: str) -> dict[str, Any]:
    """Return what the tables hold, as a Data Package (Frictionless Data, version 1)."""
    return {
        "profile": "data-package",
        "name": "drillfeed-practice",
        "model": VERSION,
        "house_values": asdict(HOUSE),
        "resources": [
            {
                "name": table,
                "path": f"{table}.{form}",
                "format": form,
                "encoding": "utf-8",
                "schema": {
                    "fields": [
                        {"name": name, "type": kind, "description": what}
                        for name, (kind, what) in COLUMNS[table].items()
                    ],
                    "missingValues": [""],
                },
            }
            for table in given
        ],
    }


def _rows(connection: sqlite3.Connection, table: str, query: str, values: Sequence[object]) -> Rows:
    return [{name: row[name] for name in COLUMNS[table]} for row in connection.execute(query, tuple(values))]


def _time(at: float) -> str:
    return datetime.fromtimestamp(at).astimezone().isoformat(timespec="milliseconds")


def _week_time(at: float) -> str:
    monday = monday_of(week_of(datetime.fromtimestamp(at).date()))
    return datetime.combine(monday, time()).astimezone().isoformat(timespec="milliseconds")


def _estimates(known: Knowledge, name: str, coarse: bool) -> Rows:
    found, trend, usual = [], known.trend, known.course.season.usual()
    so_far = np.cumsum(known.balls_by_week, axis=0)
    for place, ball in enumerate(known.types):
        last = known.last_day[ball]
        for week in range(len(trend.share)):
            if np.isnan(trend.share[week, place]):
                continue
            bands = ("low_50", "high_50", "low_90", "high_90")
            found.append(
                {
                    "player": name,
                    "week": monday_of(known.first + week).isoformat(),
                    "ball": ball,
                    "random_share": float(usual[place, RANDOM]),
                    "tempo_per_min": USUAL_TEMPO_PER_MIN + TEMPO_UNIT_PER_MIN * float(usual[place, TEMPO]),
                    "made_share": float(trend.share[week, place]),
                    **{band: float(getattr(trend, band)[week, place]) for band in bands},
                    "marked_balls": float(known.balls_by_week[week, place]),
                    "marked_balls_so_far": float(so_far[week, place]),
                    "last_seen": (monday_of(week_of(last)) if coarse else last).isoformat(),
                    "model": VERSION,
                }
            )
    return found


def _changes(known: Knowledge, name: str) -> Rows:
    weeks_ago = max(len(known.course.after) - WINDOW_WEEKS, WINDOW_WEEKS)
    return [
        {
            "player": name,
            "ball": change.ball,
            "word": change.word,
            "points": change.points,
            "marked_before": change.balls[0],
            "marked_now": change.balls[1],
        }
        for change in known.changes(weeks_ago)
    ]
