"""One accepted socket: it reads when something arrives, writes at once what fits, and keeps a bounded rest.

Rule of this file: nothing here waits, and nothing is queued for reading. The socket is closed the moment it is given
up, which frees its file; its owner is told one turn of the loop later.
"""

import asyncio
import socket
from collections.abc import Callable
from typing import Protocol

MAX_READS = 4
WRITE_HIGH_BYTES = 32_768
WRITE_LOW_BYTES = 8_192


class Owner(Protocol):
    """What a wire calls on its owner."""

    def get_buffer(self) -> memoryview:
        """Return the buffer for the next bytes; its length is how many may be read."""

    def buffer_updated(self, nbytes: int) -> None:
        """Take `nbytes` bytes from the buffer."""

    def eof_received(self) -> None:
        """Note that no more bytes will come."""

    def pause_writing(self) -> None:
        """Write no more for now: the other end does not read."""

    def resume_writing(self) -> None:
        """Go on writing."""

    def connection_lost(self) -> None:
        """Note that the socket is closed."""


class Wire:
    """A non-blocking stream socket in an event loop."""

    _owner: Owner

    def __init__(self, loop: asyncio.AbstractEventLoop, sock: socket.socket) -> None:
        self._loop, self.sock = loop, sock
        self._rest = bytearray()
        self._paused = self._ended = self._closing = self._closed = self._full = False
        self._reads = self._writes = False  # whether the loop watches the socket for reading, for writing

    def serve(self, owner: Owner) -> None:
        """Read for an owner: first what has already arrived, then whatever comes."""
        self._owner = owner
        self.look()
        if not (self._closed or self._closing or self._paused or self._ended):
            self._ask_to_read(True)

    def look(self) -> None:
        """Read what has already arrived, up to a bound."""
        for _ in range(MAX_READS):
            if not self._read():
                return

    def pause_reading(self) -> None:
        """Stop reading; what arrives stays in the system's buffer."""
        self._listen(paused=True)

    def resume_reading(self) -> None:
        """Go on reading."""
        self._listen(paused=False)

    def get_write_buffer_size(self) -> int:
        """Return how many bytes wait to be written."""
        return len(self._rest)

    def write(self, data: bytes) -> None:
        """Write bytes; what does not fit waits."""
        if self._closed or self._closing:
            return
        if not self._rest:
            sent = self._send(data)
            if sent is None or sent == len(data):
                return
            data = data[sent:]
            self._ask_to_write(True)
        self._rest += data
        if len(self._rest) > WRITE_HIGH_BYTES and not self._full:
            self._full = True
            self._owner.pause_writing()

    def close(self) -> None:
        """Write what waits, then close; read nothing more."""
        if self._closed or self._closing:
            return
        self._listen(paused=True)
        self._closing = True
        if not self._rest:
            self.abort()

    def abort(self) -> None:
        """Close now."""
        if self._closed:
            return
        self._closed = True
        self._ask_to_read(False)
        self._ask_to_write(False)
        self._rest.clear()
        self.sock.close()
        self._loop.call_soon(self._owner.connection_lost)

    def _readable(self) -> None:
        self._read()

    def _read(self) -> bool:
        """Read once; tell whether more may have arrived."""
        if self._closed or self._closing or self._paused or self._ended:
            return False
        buffer = self._owner.get_buffer()
        got = self._tried(lambda: self.sock.recv_into(buffer))
        if got is None:
            return False
        if got:
            self._owner.buffer_updated(got)
        else:
            self._ended = True
            self._ask_to_read(False)
            self._owner.eof_received()
        return got == len(buffer)

    def _writable(self) -> None:
        sent = self._send(self._rest)
        if sent is None:
            return
        del self._rest[:sent]
        if self._full and len(self._rest) <= WRITE_LOW_BYTES:
            self._full = False
            self._owner.resume_writing()
        if self._rest or self._closed:
            return
        self._ask_to_write(False)
        if self._closing:
            self.abort()

    def _send(self, data: bytes | bytearray) -> int | None:
        """Send what fits; return None if the connection is broken."""
        sent = self._tried(lambda: self.sock.send(data))
        return None if self._closed else sent or 0

    def _tried(self, call: Callable[[], int]) -> int | None:
        try:
            return call()
        except (BlockingIOError, InterruptedError):
            return None
        except OSError:
            self.abort()
            return None

    def _listen(self, *, paused: bool) -> None:
        if self._closed or self._closing or self._ended or paused == self._paused:
            return
        self._paused = paused
        self._ask_to_read(not paused)

    def _ask_to_read(self, wanted: bool) -> None:
        if wanted and not self._reads:
            self._loop.add_reader(self.sock.fileno(), self._readable)
        elif self._reads and not wanted:
            self._loop.remove_reader(self.sock.fileno())
        self._reads = wanted

    def _ask_to_write(self, wanted: bool) -> None:
        if wanted and not self._writes:
            self._loop.add_writer(self.sock.fileno(), self._writable)
        elif self._writes and not wanted:
            self._loop.remove_writer(self.sock.fileno())
        self._writes = wanted
