"""One daemon a thrower: a lock file, held by the system for as long as the process lives.

Rule of this file: the lock is the kernel's, so a daemon that was killed leaves none behind.
"""

import fcntl
import os
from pathlib import Path
from typing import Self


class AlreadyRunning(OSError):
    """Another daemon drives this thrower."""


class Alone:
    """Holds the lock of one machine profile in the state folder."""

    def __init__(self, folder: Path, machine: str) -> None:
        """Take the lock; raise AlreadyRunning, with the other's process id, where it is held."""
        folder.mkdir(parents=True, exist_ok=True)
        path = folder / f"{machine}.lock"
        self._file = path.open("a+")
        try:
            fcntl.flock(self._file, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError:
            self._file.seek(0)
            other = self._file.read().strip() or "unknown"
            self._file.close()
            raise AlreadyRunning(f"another daemon drives {machine} (process {other}; {path})") from None
        self._file.truncate(0)
        self._file.write(f"{os.getpid()}\n")
        self._file.flush()

    def release(self) -> None:
        """Give the lock back."""
        self._file.close()

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self.release()
