"""A process on a pseudo-terminal of its own, whose terminal can be closed under it, as by shutting a window.

Rule of this file: only the process that was started here is signalled, by its id.
"""

import os
import pty
import select
import subprocess
import sys
import time
from collections.abc import Callable, Mapping, Sequence
from types import TracebackType
from typing import Self

WAIT_S = 30.0


START = """\
import fcntl, os, signal, sys, termios
fcntl.ioctl(0, termios.TIOCSCTTY, 0)
signal.signal(signal.SIGINT, signal.SIG_DFL)
signal.signal(signal.SIGHUP, signal.SIG_IGN if sys.argv[1] == "nohup" else signal.SIG_DFL)
os.execvp(sys.argv[2], sys.argv[2:])
"""
"""What makes standard input the terminal that hangs up on a command, and has it heed signals or, as `nohup`, not."""


def spawn(
    command: Sequence[str], environment: Mapping[str, str] | None = None, nohup: bool = False
) -> tuple[subprocess.Popen[bytes], int]:
    """Start a command on a new terminal; return the process and the terminal's other end, whose closing hangs up."""
    other, terminal = pty.openpty()
    try:
        process = subprocess.Popen(
            [sys.executable, "-c", START, "nohup" if nohup else "heed", *command],
            stdin=terminal,
            stdout=terminal,
            stderr=terminal,
            env={**os.environ, **(environment or {})},
            start_new_session=True,
        )
    finally:
        os.close(terminal)
    return process, other


class OnTerminal:
    """One process on a terminal. Leave it and the process is ended."""

    def __init__(self, *command: str, environment: Mapping[str, str] | None = None, nohup: bool = False) -> None:
        self.process, self._other = spawn(command, environment, nohup)
        self._open = True
        self.text = ""

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        if self.process.poll() is None:
            self.process.kill()
            self.process.wait()
        if self._open:
            os.close(self._other)

    def until(self, true: Callable[[], bool], max_s: float = WAIT_S) -> None:
        """Read on until something is true; fail after `max_s`, showing the screen."""
        end_s = time.monotonic() + max_s
        while not true():
            assert time.monotonic() < end_s, self.text
            assert self.process.poll() is None, f"left with {self.process.returncode}: {self.text}"
            if select.select([self._other], [], [], 0.02)[0]:
                self.text += os.read(self._other, 65536).decode(errors="replace")

    def type(self, text: str) -> None:
        """Type at the terminal."""
        os.write(self._other, text.encode())

    def hang_up(self) -> float:
        """Close the terminal; return the moment."""
        now_s = time.monotonic()
        os.close(self._other)
        self._open = False
        return now_s

    def left(self, max_s: float = WAIT_S) -> int:
        """Wait until the process has left by itself; return its exit code, minus the signal that killed it."""
        return self.process.wait(max_s)

    def read_to_end(self, max_s: float = WAIT_S) -> int:
        """Read on until the process has left by itself; return its exit code. Fail after `max_s`."""
        end_s = time.monotonic() + max_s
        while time.monotonic() < end_s:
            if select.select([self._other], [], [], 0.02)[0]:
                try:
                    self.text += os.read(self._other, 65536).decode(errors="replace")
                except OSError:  # Linux says so where the last holder of the terminal has gone
                    break
            elif self.process.poll() is not None:
                break
        return self.process.wait(max(end_s - time.monotonic(), 0.1))
