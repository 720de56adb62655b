"""The journal's writer: a thread behind a bounded queue, so that a slow disk never delays a ball.

Rule of this file: `note` takes no lock, touches no disk and never waits. Entries that do not fit are dropped and
counted. If the disk fails, practice goes on and `warnings` says what is not recorded. A damaged file is moved aside to
a dated name, never deleted.
"""

import os
import sqlite3
import threading
import time
from collections import deque
from collections.abc import Callable
from concurrent.futures import Future
from datetime import datetime
from pathlib import Path
from typing import Any, TypeVar

import structlog

from drillfeed.daemon.files import set_aside as moved_aside
from drillfeed.daemon.journal.completing import complete
from drillfeed.daemon.journal.entries import Entry, EventEntry, Place, write
from drillfeed.daemon.journal.last_throws import LastThrows
from drillfeed.daemon.journal.reading import Load, loads
from drillfeed.daemon.journal.schema import BESIDE, Malformed, NotOurs, NotUsable, open_to_write
from drillfeed.protocol.texts.catalogue import text

# The writer polls the queue at this interval. Waking it would need a lock, and the control loop must not wait for a
# lock. A batch is committed at most this long, plus the time of the commit, after its first entry.
BATCH_S = 0.1
MAX_BATCH = 500
MAX_QUEUE = 10_000
RETRY_S = 1.0
LOADS_S = 5.0
DAMAGED = (sqlite3.SQLITE_CORRUPT, sqlite3.SQLITE_NOTADB)
# Mistakes in drillfeed, not of the disk: trying again would always fail.
MISTAKES = (sqlite3.IntegrityError, sqlite3.ProgrammingError, sqlite3.InterfaceError, KeyError)
_Answer = TypeVar("_Answer")


class NotRecorded(Exception):
    """The journal cannot be used at the moment; the text says why."""


class Journal(threading.Thread):
    """Writes noted entries until `end`. `wall_of` turns the daemon's monotonic seconds into seconds since 1970.

    With `last`, a throw is in shared memory when `note` returns, so a kill before the commit loses no throw.
    """

    def __init__(
        self,
        path: Path,
        machine: str,
        run: str,
        *,
        wall_of: Callable[[float], float] | None = None,
        on_commit: Callable[[tuple[Entry, ...]], None] = lambda entries: None,
        opener: Callable[[Path], sqlite3.Connection] = open_to_write,
        max_queue: int = MAX_QUEUE,
        last: LastThrows | None = None,
    ) -> None:
        super().__init__(name="journal", daemon=True)
        self.path = path
        self.turns = 0
        # Each count is written by one thread only, so that no update is lost.
        self._dropped: dict[int, int] = {}  # entries that the full queue had no room for, by noting thread
        self._spoilt = 0  # entries that can never be written, counted by this thread
        self.loads: tuple[Load, ...] = ()
        self._loads_due_s = float("-inf")
        self._wall_of = wall_of or _wall_of
        self._last, self._left = last, last.left if last is not None else ()
        self._on_commit, self._opener, self._max_queue = on_commit, opener, max_queue
        self._queue: deque[Entry] = deque()
        self._questions: deque[tuple[Callable[[sqlite3.Connection], Any], Future[Any]]] = deque(maxlen=max_queue)
        self._batch: list[Entry] = []
        self._place = Place(run, machine)
        self._connection: sqlite3.Connection | None = None
        self._why: str | None = None
        self._set_aside: Path | None = None
        self._set_aside_why = ""
        self._ending = False
        self._log = structlog.get_logger("journal")

    # From any thread.

    def note(self, entry: Entry) -> None:
        """Queue an entry to be written soon; if the queue is full, drop it and count it."""
        if self._last is not None and isinstance(entry, EventEntry):
            self._last.keep(entry.event)
        if len(self._queue) >= self._max_queue:
            thread = threading.get_ident()
            self._dropped[thread] = self._dropped.get(thread, 0) + 1
        else:
            self._queue.append(entry)

    def ask(self, question: Callable[[sqlite3.Connection], _Answer]) -> "Future[_Answer]":
        """Query the file, after everything noted before; the future may raise NotRecorded."""
        answer: Future[_Answer] = Future()
        if self._ending:
            answer.set_exception(NotRecorded(text("journal.shutting-down")))
        else:
            self._questions.append((question, answer))
        return answer

    @property
    def lost(self) -> int:
        """Return how many entries will never be written; it never falls."""
        return self._spoilt + sum(tuple(self._dropped.values()))

    def warnings(self) -> tuple[str, ...]:
        """Return what is not recorded, and why; empty if all is well."""
        told = []
        waiting = len(self._batch) + len(self._queue)
        if self._why is not None:
            told.append(text("journal.waiting", waiting=waiting, why=self._why))
        if self.lost:
            told.append(text("journal.lost", lost=self.lost))
        if self._set_aside is not None:
            why = text("journal.damaged", why=self._set_aside_why)
            told.append(text("journal.set-aside", why=why, place=self._set_aside))
        return tuple(told)

    def end(self) -> None:
        """Write what was noted, then end the thread; `join` it with a time limit."""
        self._ending = True

    # The thread.

    def run(self) -> None:
        """Write batch after batch until ended."""
        tried_s = float("-inf")
        while True:
            self.turns += 1
            ending = self._ending
            if self._why is None or ending or time.monotonic() - tried_s >= RETRY_S:
                tried_s = time.monotonic()
                self._guarded_turn()
            if ending:
                break
            time.sleep(BATCH_S)
        self._answer_all(NotRecorded(text("journal.shutting-down")))
        self._close()
        if self._last is not None and not (self._left or self._batch or self._queue or self.lost):
            self._last.forget()

    def _guarded_turn(self) -> None:
        """Take a turn; a mistake in drillfeed itself is logged and loses the batch, but the thread goes on."""
        try:
            self.turn()
        except Exception as mistake:
            self._log.exception("mistake in the journal")
            self._spoilt += len(self._batch)
            self._batch = []
            self._close()
            self._answer_all(NotRecorded(text("journal.mistake", mistake=mistake)))

    def turn(self) -> None:
        """Write all noted entries and answer all questions; disk faults are remembered and reported."""
        try:
            connection = self._opened()
            while self._batch or self._queue:
                self._write_batch(connection)
            self._answer_questions(connection)
            self._look_at_loads(connection)
            self._why = None
        except (sqlite3.Error, OSError, NotOurs) as error:
            self._trouble(error)

    def _opened(self) -> sqlite3.Connection:
        if self._connection is None:
            self._connection = self._opener(self.path)
        if self._left:
            self._complete(self._connection)
        return self._connection

    def _complete(self, connection: sqlite3.Connection) -> None:
        """Write what an earlier daemon could not; a disk fault is raised, and the next turn tries again."""
        try:
            self._log.info("completed after a kill", throws=complete(connection, self._left, self._wall_of))
        except (*MISTAKES, TypeError, ValueError, AttributeError, OverflowError) as bug:
            self._log.error("what an earlier daemon left cannot be written", error=str(bug))
        self._left = ()

    def _write_batch(self, connection: sqlite3.Connection) -> None:
        """Write one batch in one transaction; place and count change only after the commit."""
        while self._queue and len(self._batch) < MAX_BATCH:
            self._batch.append(self._queue.popleft())
        place, kept, spoilt = self._place, [], 0
        connection.execute("BEGIN IMMEDIATE")
        try:
            for entry in self._batch:
                try:
                    place = write(connection, place, entry, self._wall_of(entry.at_s))
                    kept.append(entry)
                except MISTAKES as bug:
                    spoilt += 1
                    self._log.error("an entry cannot be written", entry=repr(entry)[:300], error=str(bug))
            connection.execute("COMMIT")
        except sqlite3.Error:
            if connection.in_transaction:
                connection.execute("ROLLBACK")
            raise
        self._place, self._batch = place, []
        self._spoilt += spoilt
        self._on_commit(tuple(kept))

    def _look_at_loads(self, connection: sqlite3.Connection) -> None:
        if time.monotonic() >= self._loads_due_s:
            self._loads_due_s = time.monotonic() + LOADS_S
            self.loads = tuple(loads(connection, datetime.now()))

    def _answer_questions(self, connection: sqlite3.Connection) -> None:
        while self._questions:
            question, answer = self._questions.popleft()
            try:
                answer.set_result(question(connection))
            except sqlite3.DatabaseError as error:
                answer.set_exception(NotRecorded(str(error)))
                raise
            except Exception as error:
                answer.set_exception(error)

    def _answer_all(self, error: NotRecorded) -> None:
        while self._questions:
            self._questions.popleft()[1].set_exception(error)

    def _trouble(self, error: Exception) -> None:
        self._close()
        if isinstance(error, NotUsable | Malformed) or getattr(error, "sqlite_errorcode", 0) & 0xFF in DAMAGED:
            try:
                self._set_aside = set_aside(self.path, datetime.now())
                self._place = Place(self._place.run, self._place.machine)
                self._set_aside_why = str(error)
                self._log.warning("damaged journal set aside", file=str(self._set_aside), error=str(error))
                self._why = None
                return
            except OSError as moving:
                error = moving
        why = str(error) if isinstance(error, NotOurs) else f"{_text(error)} ({self.path})"
        if why != self._why:
            self._log.warning(text("journal.not-recorded"), why=why)
        self._why = why
        self._answer_all(NotRecorded(why))

    def _close(self) -> None:
        connection, self._connection = self._connection, None
        if connection is not None:
            try:
                connection.close()
            except sqlite3.Error as error:
                self._log.warning("journal not closed in order", error=str(error))


def set_aside(path: Path, now: datetime) -> Path:
    """Move a damaged journal and the files beside it to a dated name; return that name. Raises OSError."""
    aside = moved_aside(path, now, "damaged") if os.path.lexists(path) else path
    for end in BESIDE:
        beside = path.with_name(path.name + end)
        if os.path.lexists(beside) and aside != path:
            beside.rename(aside.with_name(aside.name + end))
        elif os.path.lexists(beside):
            aside = moved_aside(beside, now, "damaged")
    return aside


def _text(error: Exception) -> str:
    return (error.strerror or str(error)) if isinstance(error, OSError) else str(error)


def _wall_of(at_s: float) -> float:
    return time.time() - (time.monotonic() - at_s)
