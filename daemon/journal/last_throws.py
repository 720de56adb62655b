"""The last throws in shared memory. If a daemon is killed, the next one writes the throws it could not commit.

Rule of this file: `keep` copies a few hundred bytes into memory, with no lock, no system call and no disk. Only one
thread calls it: the one that notes the engine's events. The file lies in memory (`$XDG_RUNTIME_DIR`, else /dev/shm). It
outlives the process but not a restart of the computer, and belongs to one journal and machine. Without such a folder
nothing is kept, and a kill loses what was not committed.

A slot holds length and CRC-32 of its text, then the text: one JSON object. The CRC of a half-written slot is wrong.
"""

import contextlib
import hashlib
import json
import math
import mmap
import os
import stat
import struct
import zlib
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import structlog

from drillfeed.daemon.engine.events import BallLeft, BallSettled, SetBegan, figures
from drillfeed.protocol.texts.catalogue import text

SLOTS, SLOT_BYTES = 64, 1024
SIZE = SLOTS * SLOT_BYTES
HEAD = struct.Struct("<II")
OfThrow = BallSettled | BallLeft | SetBegan
KINDS: dict[str, type[OfThrow]] = {"ball": BallSettled, "exit": BallLeft, "set": SetBegan}
"""The events of a throw: the ball, whether it was seen leaving, and the set it belongs to."""
INSIDE: dict[str, dict[str, Any]] = {
    "ball": {"title": ""},
    "set": dict.fromkeys(("title", "sequence_kind", "rung", "warm_up", "check_set")),
}
"""What the ring does not hold of an event: blank, or not known, in what the next daemon writes down."""


@dataclass(frozen=True)
class Kept:
    """One event of one run of the daemon on one machine."""

    run: str
    machine: str
    serial: int
    event: OfThrow


def place_of(journal: Path, machine: str, environ: Mapping[str, str] | None = None) -> Path | None:
    """Return the file for the last throws of a machine; None if this system has no folder in memory."""
    environ = os.environ if environ is None else environ
    name = hashlib.blake2b(f"{journal.absolute()} {machine}".encode(), digest_size=8).hexdigest()
    for folder in (environ.get("XDG_RUNTIME_DIR"), "/dev/shm"):
        if folder and os.access(folder, os.W_OK | os.X_OK):
            return Path(folder) / f"drillfeed-{os.geteuid()}-{name}"
    return None


class LastThrows:
    """A ring of slots in mapped memory; `left` holds the events that an earlier daemon kept, the oldest first."""

    def __init__(self, path: Path, run: str, machine: str) -> None:
        """Map the file, creating it if necessary; raise OSError if it is not ours or memory is short."""
        self.path, self._run, self._machine = path, run, machine
        number = os.open(path, os.O_RDWR | os.O_CREAT | os.O_NOFOLLOW | os.O_CLOEXEC, 0o600)
        try:
            found = os.fstat(number)
            if found.st_uid != os.geteuid() or not stat.S_ISREG(found.st_mode) or found.st_mode & 0o077:
                raise PermissionError(text("last-throws.not-ours", path=path))
            # If memory runs out on a mapped page, the process dies; reserving it here gives an error instead.
            os.posix_fallocate(number, 0, SIZE)
            self._map = mmap.mmap(number, SIZE)
        finally:
            os.close(number)
        self.left = tuple(sorted(self._read(), key=lambda kept: kept.serial))
        self._serial = self.left[-1].serial + 1 if self.left else 0

    @classmethod
    def of(cls, journal: Path, run: str, machine: str) -> "LastThrows | None":
        """Return the last throws of a journal; None, with a line in the log, if they cannot be kept."""
        log = structlog.get_logger("journal")
        path = place_of(journal, machine)
        try:
            if path is not None:
                return cls(path, run, machine)
            log.warning(text("last-throws.kill"), why=text("last-throws.no-folder"))
        except OSError as error:
            log.warning(text("last-throws.kill"), why=str(error))
        return None

    def keep(self, event: object) -> None:
        """Keep an event of a throw in the oldest slot; an event longer than a slot is not kept."""
        if not isinstance(event, BallSettled | BallLeft | SetBegan):
            return
        kind = next(name for name, kind in KINDS.items() if isinstance(event, kind))
        told = [self._run, self._machine, self._serial, event.at_s, kind, dict(figures(event))]
        text = json.dumps(told, separators=(",", ":")).encode()
        if len(text) > SLOT_BYTES - HEAD.size:
            return
        start = self._serial % SLOTS * SLOT_BYTES
        self._map[start + HEAD.size : start + HEAD.size + len(text)] = text
        self._map[start : start + HEAD.size] = HEAD.pack(len(text), zlib.crc32(text))
        self._serial += 1

    def forget(self) -> None:
        """Remove the file; everything in it is on disk."""
        with contextlib.suppress(OSError):
            self.path.unlink()

    def _read(self) -> list[Kept]:
        found = []
        for start in range(0, SIZE, SLOT_BYTES):
            length, crc = HEAD.unpack_from(self._map, start)
            text = self._map[start + HEAD.size : start + HEAD.size + min(length, SLOT_BYTES - HEAD.size)]
            if not length or zlib.crc32(text) != crc:
                continue
            with contextlib.suppress(ValueError, TypeError, RecursionError):  # of another version of drillfeed
                found.append(_kept(*json.loads(text)))
        return found


def _kept(run: object, machine: object, serial: object, at_s: object, kind: object, fields: object) -> Kept:
    """Return what a slot holds; raise ValueError or TypeError if it makes no sense."""
    if (
        isinstance(run, str)
        and isinstance(machine, str)
        and type(serial) is int
        and 0 <= serial < 2**53
        and isinstance(at_s, float | int)
        and math.isfinite(at_s)
        and isinstance(kind, str)
        and kind in KINDS
        and isinstance(fields, dict)
    ):
        return Kept(run, machine, serial, KINDS[kind](at_s=float(at_s), **fields, **INSIDE.get(kind, {})))
    raise ValueError("no event of a throw")
