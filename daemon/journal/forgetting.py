"""Forgets a player: the sets lose their player, and the name leaves the file.

Rule of this file: no byte of the name stays in the journal or in the file of its newest changes. What lies elsewhere
(backups, exports, damaged journals that were set aside) can't be reached from here, and the caller says so.
"""

import sqlite3
from pathlib import Path

from drillfeed.daemon.journal.players import find_player
from drillfeed.protocol.texts.catalogue import text

FORGOTTEN = "(forgotten)"
TEXTS = {
    "sets": ("drill", "title"),
    "throws": ("reason",),
    "marks": ("marked_by",),
    "changes": ("what", "fields"),
    "faults": ("what", "hint", "next_step", "recent"),
    "sessions": ("machine",),
}
"""Columns of free text in which a name may stand; a command that holds it is deleted whole."""


class InUse(Exception):
    """A daemon has the journal open, so the name can't be taken out of it now."""


def forget_player(connection: sqlite3.Connection, name: str) -> int:
    """Forget a player and return how many sets lost their player; raise Refused if there is none, InUse, sqlite3.Error.

    Sets, balls and marks stay, as practice of nobody in particular.
    """
    player = find_player(connection, name)
    connection.execute("PRAGMA secure_delete = ON")
    connection.execute("BEGIN IMMEDIATE")
    try:
        sets = connection.execute("UPDATE sets SET player_id = NULL WHERE player_id = ?", (player.id,)).rowcount
        for table, columns in TEXTS.items():
            for column in columns:
                _replace(connection, table, column, player.name)
        connection.execute("DELETE FROM commands WHERE instr(lower(line || ' ' || caller), lower(?))", (player.name,))
        connection.execute("DELETE FROM players WHERE id = ?", (player.id,))
        connection.execute("COMMIT")
    except BaseException:
        connection.execute("ROLLBACK")
        raise
    try:
        connection.execute("VACUUM")
    except sqlite3.OperationalError as error:
        raise InUse(text("forget.still-in-file", error=error)) from None
    busy = connection.execute("PRAGMA wal_checkpoint(TRUNCATE)").fetchone()[0]
    if busy:
        raise InUse(text("forget.daemon-holds"))
    return int(sets)


def copies_beside(journal: Path) -> list[Path]:
    """Return files beside the journal that look like copies of it and may hold the name."""
    own = {journal.name, f"{journal.name}-wal", f"{journal.name}-shm"}
    return sorted(path for path in journal.parent.glob(f"{journal.stem}*") if path.name not in own and path.is_file())


def _replace(connection: sqlite3.Connection, table: str, column: str, name: str) -> None:
    """Put a word in the place of a name in one column, whatever the case of its letters."""
    rows = connection.execute(
        f"SELECT id, {column} FROM {table} WHERE instr(lower({column}), lower(?))", (name,)
    ).fetchall()
    for key, words in rows:
        connection.execute(f"UPDATE {table} SET {column} = ? WHERE id = ?", (_without(str(words), name), key))


def _without(text: str, name: str) -> str:
    low, wanted = text.lower(), name.lower()
    parts, begin = [], 0
    while (found := low.find(wanted, begin)) >= 0:
        parts.append(text[begin:found])
        begin = found + len(wanted)
    return FORGOTTEN.join([*parts, text[begin:]])
