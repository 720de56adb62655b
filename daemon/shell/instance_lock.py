"""One daemon a thrower: a lock file, held by the system for as long as the process lives.

Rule of this file: the lock is the kernel's, so a daemon that was killed leaves none behind. The daemon also starts on a
full or read-only disk: it then locks the lock file without writing to it, or else the folder.
"""

import contextlib
import fcntl
import os
from pathlib import Path
from typing import Self

from drillfeed.daemon.files import check_usable, or_set_aside, own_folder, read_text
from drillfeed.daemon.validation import InvalidFile
from drillfeed.protocol.texts.catalogue import text

FLAGS = os.O_CLOEXEC | os.O_NONBLOCK | os.O_NOCTTY


class AlreadyRunning(OSError):
    """Another daemon drives this thrower."""


class InstanceLock:
    """Holds the lock of one machine profile in the state folder."""

    def __init__(self, folder: Path, machine: str) -> None:
        """Take the lock; raise AlreadyRunning, with the other daemon's process id, if another daemon holds it."""
        path = folder / f"{machine}.lock"
        self._number = _opened(path)
        try:
            fcntl.flock(self._number, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError:
            other = _process_in(path)
            self.release()
            raise AlreadyRunning(text("instance.another", machine=machine, other=other, path=path)) from None
        with contextlib.suppress(OSError):
            os.truncate(self._number, 0)
            os.write(self._number, f"{os.getpid()}\n".encode())

    def release(self) -> None:
        """Give the lock back."""
        os.close(self._number)

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self.release()


def _opened(path: Path) -> int:
    """Open the lock file; open it for reading if the disk cannot be written, or else open the nearest folder."""
    with contextlib.suppress(OSError):
        own_folder(path.parent)
        or_set_aside(lambda: check_usable(path), path, None, [])
        return os.open(path, os.O_RDWR | os.O_APPEND | os.O_CREAT | FLAGS, 0o644)
    for there in (path, *path.parents):
        with contextlib.suppress(OSError):
            return os.open(there, os.O_RDONLY | FLAGS)
    raise OSError(text("instance.no-folder", path=path))


def _process_in(path: Path) -> str:
    try:
        found = read_text(path).strip()
    except InvalidFile:
        return "unknown"
    return found if found.isascii() and found.isdigit() else "unknown"
