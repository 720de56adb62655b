"""Plans are worked out in a process of their own, which is given up if it takes too long.

Rule of this file: `ask` waits no longer than its limit, whatever the files and figures do to the process, and `close`
hardly waits at all. The process reads files and plans, and does nothing else; only finished plans come back.
"""

import contextlib
import os
import pickle
import select
import struct
import subprocess
import sys
import threading
import time
from collections.abc import Callable
from typing import Any, Protocol, TypeVar

import structlog

from drillfeed.protocol.errors import refuse

LIMIT_S = 20.0
READY_S = 60.0
CLOSE_S = 0.5
HEAD = struct.Struct("<I")
READY, RESULT, REFUSED, TOO_MUCH, MISTAKE = range(5)
"""The kinds of answer: ready for work; a result; an exception for the client; out of memory; a mistake of ours."""
MAX_ANSWER = 64 * 1024 * 1024
READ_BYTES = 1024 * 1024
MODULE = "drillfeed.daemon.shell.planning_process"
_Made = TypeVar("_Made")


class Planner(Protocol):
    """Works something out for the desk."""

    def ask(self, work: Callable[..., _Made], *given: object) -> _Made:
        """Return what `work(*given)` returns, or raise what it raises; raise Refused if the work is given up."""

    def close(self) -> None:
        """End at once, even during another thread's `ask`."""


class InPlace:
    """Works in the calling thread, without a limit: on a virtual clock, and in tests."""

    def ask(self, work: Callable[..., _Made], *given: object) -> _Made:
        """Return what the work returns."""
        return work(*given)

    def close(self) -> None:
        """Do nothing: no process runs."""


class Lost(Exception):
    """The process ended before it answered."""


class Apart:
    """Works in a process that stands by; one thread asks at a time. A process given up is killed and replaced."""

    def __init__(self, limit_s: float = LIMIT_S, ready_s: float = READY_S) -> None:
        self._limit_s, self._ready_s = limit_s, ready_s
        self._process: subprocess.Popen[bytes] | None = None
        self._ready = self._closed = False
        self._changing, self._asking = threading.Lock(), threading.Lock()
        self._log = structlog.get_logger("planner")

    def start(self) -> None:
        """Start a process that stands by. It takes a second to be ready, and this call does not wait for that.

        If the system cannot start a process, the daemon goes on without plans, and the next `ask` tries again.
        """
        with self._changing:
            if self._process is None and not self._closed:
                try:
                    self._process, self._ready = _started(), False
                except OSError as error:
                    self._log.warning("no planner", why=str(error))

    def ask(self, work: Callable[..., _Made], *given: object) -> _Made:
        """Let the process do the work; raise what the work raises, or Refused if it is given up."""
        with self._asking:
            self.start()
            process = self._process
            if process is None:
                raise refuse("planner.closed" if self._closed else "planner.none")
            try:
                kind, answer = self._asked(process, pickle.dumps((work, given), pickle.HIGHEST_PROTOCOL))
            except TimeoutError:
                self._give_up(process, f"no answer within {self._limit_s:g} s")
                raise refuse("planner.too-long", limit_s=self._limit_s) from None
            except (Lost, OSError) as lost:
                self._give_up(process, f"it ended ({lost})")
                raise refuse("planner.ended") from None
        if kind == REFUSED:
            raise answer
        if kind == TOO_MUCH:
            raise refuse("planner.memory")
        if kind == MISTAKE:
            raise RuntimeError(f"in the planner: {answer}")
        made: _Made = answer
        return made

    def _asked(self, process: subprocess.Popen[bytes], message: bytes) -> tuple[int, Any]:
        """Send work and receive the answer; the time limit starts when the process is ready for work."""
        if not self._ready:
            _receive(process, time.monotonic() + self._ready_s)
            self._ready = True
        until_s = time.monotonic() + self._limit_s
        _send(process, message, until_s)
        kind, answer = pickle.loads(_receive(process, until_s))
        return kind, answer

    def close(self) -> None:
        """Kill the process and refuse an `ask` that is under way; wait no longer than `CLOSE_S` for it."""
        with self._changing:
            self._closed = True
            process, self._process = self._process, None
        if process is None:
            return
        with contextlib.suppress(OSError):
            process.kill()
        if self._asking.acquire(timeout=CLOSE_S):  # an `ask` under way uses the pipes, and closes them itself
            _kill(process)
            self._asking.release()

    def _give_up(self, process: subprocess.Popen[bytes], why: str) -> None:
        with self._changing:
            if self._process is process:
                self._process = None
        _kill(process)
        if not self._closed:
            self._log.warning("planner given up", why=why)
            self.start()


def _started() -> subprocess.Popen[bytes]:
    # -P keeps modules of the current folder from being imported. One thread is enough for such small arrays.
    process = subprocess.Popen(
        [sys.executable, "-P", "-m", MODULE],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        bufsize=0,
        env={**os.environ, "OPENBLAS_NUM_THREADS": "1", "OMP_NUM_THREADS": "1"},
    )
    assert process.stdin is not None and process.stdout is not None
    os.set_blocking(process.stdin.fileno(), False)
    os.set_blocking(process.stdout.fileno(), False)
    return process


def _kill(process: subprocess.Popen[bytes]) -> None:
    """Kill a process and close its pipes; do not wait long for a process that the system cannot end now."""
    with contextlib.suppress(OSError):
        process.kill()
    with contextlib.suppress(subprocess.TimeoutExpired):
        process.wait(0.2)
    for pipe in (process.stdin, process.stdout):
        if pipe is not None:
            with contextlib.suppress(OSError):
                pipe.close()


def _wait(number: int, event: int, until_s: float) -> None:
    """Wait until a pipe can be used; raise TimeoutError if the time is over first."""
    poller = select.poll()
    poller.register(number, event)
    left_s = until_s - time.monotonic()
    if left_s <= 0 or not poller.poll(left_s * 1000):
        raise TimeoutError


def _send(process: subprocess.Popen[bytes], message: bytes, until_s: float) -> None:
    assert process.stdin is not None
    left = memoryview(HEAD.pack(len(message)) + message)
    while left:
        _wait(process.stdin.fileno(), select.POLLOUT, until_s)
        left = left[os.write(process.stdin.fileno(), left) :]


def _receive(process: subprocess.Popen[bytes], until_s: float) -> bytes:
    (length,) = HEAD.unpack(_read(process, HEAD.size, until_s))
    if length > MAX_ANSWER:
        raise Lost(f"an answer of {length} bytes")
    return _read(process, length, until_s)


def _read(process: subprocess.Popen[bytes], length: int, until_s: float) -> bytes:
    assert process.stdout is not None
    data = bytearray()
    while len(data) < length:
        _wait(process.stdout.fileno(), select.POLLIN, until_s)
        part = os.read(process.stdout.fileno(), min(length - len(data), READ_BYTES))
        if not part:
            raise Lost(f"exit status {process.poll()}")
        data += part
    return bytes(data)


def answer_of(kind: int, answer: Any) -> bytes:
    """Return an answer in the form in which it goes over the pipe."""
    message = pickle.dumps((kind, answer), pickle.HIGHEST_PROTOCOL)
    return HEAD.pack(len(message)) + message
