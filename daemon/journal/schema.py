"""The journal's file: how it is opened, brought up to date and checked.

Rule of this file: a file that is not ours, or is newer than this drillfeed, is left alone.

Durability: WAL with synchronous=NORMAL. A committed batch is in the kernel's hands, so killing the daemon at any moment
loses no committed throw and damages nothing; the next opening replays the WAL. Compared with FULL, NORMAL saves one
fsync a batch. After a loss of *power* the last batches may be missing, but never half written, and the file is not
damaged. FULL would cost about five flushes a second on the memory card of a small computer during practice, to save at
most the seconds before a power cut. That is not worth the wear.
"""

import contextlib
import os
import sqlite3
from collections.abc import Callable
from functools import cache
from pathlib import Path

from drillfeed.daemon.drills.sides import MAX_ELBOW_CM
from drillfeed.daemon.files import NoFile, check_usable
from drillfeed.daemon.journal.steps import STEPS
from drillfeed.daemon.validation import InvalidFile
from drillfeed.protocol.texts.catalogue import text

APPLICATION_ID = 0x6472_6A31  # "drj1"; SQLite keeps it at byte 68 of the file
BUSY_S = 1.0
BESIDE = ("-wal", "-shm", "-journal")
"""Endings of the files that SQLite opens beside the journal if it finds them."""

VERSION = len(STEPS)
STRANGE_PLAYERS = """
    SELECT id FROM players WHERE NOT coalesce(
        typeof(name) = 'text' AND hand IN ('right', 'left') AND level IN ('junior', 'club', 'advanced')
        AND (elbow_cm IS NULL OR (typeof(elbow_cm) IN ('real', 'integer') AND abs(elbow_cm) <= :elbow)), 0)
"""


class NotOurs(Exception):
    """The file belongs to another program, or to a newer drillfeed; it is left as it is."""


class NotUsable(OSError):
    """The journal's path, or a file beside it, is not a regular file of this user."""


class Malformed(sqlite3.DatabaseError):
    """The file is marked as a journal but does not contain a valid one."""


def open_to_write(path: Path) -> sqlite3.Connection:
    """Open the journal, or create it; bring an older one up to date, and check it.

    Raises NotOurs, NotUsable, OSError, or sqlite3.DatabaseError if the file is damaged or read-only, or the disk full.
    """
    path.parent.mkdir(parents=True, exist_ok=True, mode=0o700)
    _check_files(path)
    # It holds names and habits of people, perhaps of children, so only its owner may read it.
    os.close(os.open(path, os.O_CREAT | os.O_RDWR, 0o600))
    connection = sqlite3.connect(path, timeout=BUSY_S, isolation_level=None)
    return _opened(connection, lambda: _prepare(connection, path))


def open_to_read(path: Path) -> sqlite3.Connection:
    """Open the journal for reading only; raise FileNotFoundError, NotUsable, NotOurs or sqlite3.DatabaseError.

    A journal of an older version is copied into memory and brought up to date there; the file does not change.
    """
    if not path.exists():
        raise FileNotFoundError(text("journal.none", path=path))
    _check_files(path, own=False)
    # On a read-only disk SQLite cannot create the files that it needs beside a WAL journal. If there is no WAL file, it
    # needs none, since nobody changes the journal.
    still = not os.access(path.parent, os.W_OK) and not path.with_name(f"{path.name}-wal").exists()
    where = f"{path.absolute().as_uri()}?mode=ro{'&immutable=1' if still else ''}"
    connection = sqlite3.connect(where, uri=True, timeout=BUSY_S, isolation_level=None)
    _opened(connection, lambda: _check_ours(connection, path))
    if _version(connection) == VERSION:
        return connection
    with contextlib.closing(connection):
        copy = sqlite3.connect(":memory:", isolation_level=None)
        connection.backup(copy)
    return _opened(copy, lambda: _bring_up_to_date(copy))


def _check_files(path: Path, own: bool = True) -> None:
    """Raise NotUsable if SQLite would open something that is not a regular file; on a pipe it would wait for ever."""
    for end in ("", *BESIDE):
        there = path.with_name(path.name + end)
        try:
            check_usable(there, own)
        except NoFile:
            continue
        except InvalidFile as error:
            if not there.is_dir():
                raise NotUsable(text("journal.found", name=there.name, found=error.errors[0].found)) from None


def _opened(connection: sqlite3.Connection, prepare: Callable[[], object]) -> sqlite3.Connection:
    connection.row_factory = sqlite3.Row
    try:
        prepare()
    except BaseException:
        connection.close()
        raise
    return connection


def _prepare(connection: sqlite3.Connection, path: Path) -> None:
    _check_ours(connection, path)
    found = connection.execute("PRAGMA quick_check(1)").fetchone()[0]
    if found != "ok":
        raise Malformed(text("journal.image", found=found))
    connection.execute("PRAGMA journal_mode = WAL")
    connection.execute("PRAGMA synchronous = NORMAL")
    connection.execute("PRAGMA foreign_keys = ON")
    try:
        _bring_up_to_date(connection)
    except sqlite3.OperationalError as error:
        # The disk is fine; the file's contents are wrong: a table exists already, or is missing.
        if error.sqlite_errorcode & 0xFF == sqlite3.SQLITE_ERROR:
            raise Malformed(text("journal.malformed", error=error)) from None
        raise
    _check_shape(connection)


def _columns(connection: sqlite3.Connection) -> set[tuple[str, str]]:
    """Return every column of every table, as (table, column)."""
    rows = connection.execute(
        "SELECT tables.name, columns.name FROM sqlite_master AS tables, pragma_table_info(tables.name) AS columns "
        "WHERE tables.type = 'table'"
    )
    return {(str(table), str(column)) for table, column in rows}


@cache
def _columns_wanted() -> frozenset[tuple[str, str]]:
    with contextlib.closing(sqlite3.connect(":memory:", isolation_level=None)) as connection:
        _bring_up_to_date(connection)
        return frozenset(_columns(connection))


def _check_shape(connection: sqlite3.Connection) -> None:
    """Raise Malformed if a column is missing, or if a player has values that could not have been added."""
    missing = sorted(_columns_wanted() - _columns(connection))
    if missing:
        raise Malformed(text("journal.no-column", column=".".join(missing[0])))
    strange = connection.execute(STRANGE_PLAYERS, {"elbow": MAX_ELBOW_CM}).fetchone()
    if strange is not None:
        raise Malformed(text("journal.player", player=strange[0]))


def _version(connection: sqlite3.Connection) -> int:
    """Return the version of a file; 0 for an empty one."""
    return int(connection.execute("PRAGMA user_version").fetchone()[0])


def _check_ours(connection: sqlite3.Connection, path: Path) -> None:
    version = _version(connection)
    application = int(connection.execute("PRAGMA application_id").fetchone()[0])
    tables = int(connection.execute("SELECT count(*) FROM sqlite_master").fetchone()[0])
    if application != APPLICATION_ID and (tables or version):
        raise NotOurs(text("journal.other-program", path=path))
    if version < 0:
        raise Malformed(text("journal.version", version=version))
    if version > VERSION:
        raise NotOurs(text("journal.newer", path=path, version=version, known=VERSION))


def _bring_up_to_date(connection: sqlite3.Connection) -> None:
    for number in range(_version(connection), VERSION):
        migrate(connection, number)


def migrate(connection: sqlite3.Connection, number: int) -> None:
    """Take the file from version `number` to the next, completely or not at all."""
    connection.executescript(
        f"BEGIN IMMEDIATE; {STEPS[number]} PRAGMA application_id = {APPLICATION_ID}; "
        f"PRAGMA user_version = {number + 1}; COMMIT;"
    )
