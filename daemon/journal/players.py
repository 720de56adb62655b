"""The players in a journal: names as typed, the hand that holds the bat, the level, the elbow."""

import sqlite3
from dataclasses import asdict, dataclass
from typing import Any

from drillfeed.protocol.errors import refuse
from drillfeed.protocol.texts.catalogue import text

MAX_NAME_CHARACTERS = 40


@dataclass(frozen=True)
class Player:
    """One player. `hand` is right or left; `level` is junior, club or advanced; `elbow_cm` is None if unknown."""

    id: int
    name: str
    hand: str
    level: str
    elbow_cm: float | None = None

    def as_json(self) -> dict[str, Any]:
        """Return the player for a program."""
        return asdict(self)


def all_players(connection: sqlite3.Connection) -> list[Player]:
    """Return all players, in the order they were added."""
    return [_player(row) for row in connection.execute("SELECT * FROM players ORDER BY id")]


def find_player(connection: sqlite3.Connection, name: str) -> Player:
    """Return the player with a name, ignoring case; raise Refused if there is none."""
    row = connection.execute("SELECT * FROM players WHERE name = ?", (name,)).fetchone()
    if row is not None:
        return _player(row)
    known = ", ".join(player.name for player in all_players(connection)) or text("player.none-yet")
    raise refuse("player.unknown", name=name, known=known)


def add_player(
    connection: sqlite3.Connection,
    name: str,
    hand: str | None,
    level: str | None,
    at: float,
    elbow_cm: float | None = None,
) -> Player:
    """Add a player, by default right-handed and of club level; if the player exists, change only what is given."""
    name = name.strip()
    if not 1 <= len(name) <= MAX_NAME_CHARACTERS:
        raise refuse("player.name-length", max_characters=MAX_NAME_CHARACTERS, length=len(name))
    told = {"name": name, "hand": hand, "level": level, "elbow_cm": elbow_cm, "at": at}
    connection.execute(
        "INSERT INTO players (name, hand, level, elbow_cm, added_at) "
        "VALUES (:name, coalesce(:hand, 'right'), coalesce(:level, 'club'), :elbow_cm, :at) "
        "ON CONFLICT (name) DO UPDATE SET hand = coalesce(:hand, hand), level = coalesce(:level, level), "
        "elbow_cm = coalesce(:elbow_cm, elbow_cm)",
        told,
    )
    return find_player(connection, name)


def _player(row: sqlite3.Row) -> Player:
    # A file of an older version has no column for the elbow.
    elbow_cm = row["elbow_cm"] if "elbow_cm" in row.keys() else None  # noqa: SIM118
    return Player(row["id"], row["name"], row["hand"], row["level"], elbow_cm)
