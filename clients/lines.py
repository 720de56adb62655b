"""A client of the text commands over a socket; the commands themselves are the methods of `verbs.py`.

with Client.find() as client:
    client.load("mixed-spin", seed=7)
    client.arm()
    client.start(client.snapshot().stop_count)
"""

import os
import select
import socket
import time
from collections import deque
from collections.abc import Iterator, Mapping
from types import TracebackType
from typing import Self

from drillfeed.clients.find import Address, NoDaemon, connect, places
from drillfeed.clients.keys import kept_key
from drillfeed.clients.verbs import Verbs
from drillfeed.protocol.commands import Command, Value, line_of
from drillfeed.protocol.errors import Refused
from drillfeed.protocol.lines import STOP_BYTE, BrokenReply, ReceivedNotice, Reply, ReplyReader
from drillfeed.protocol.status import Snapshot

CONNECT_S = 3.0
ANSWER_S = 60.0  # arming may have to wait until coasting wheels are at rest
NOTICES_KEPT = 1_000
READ_BYTES = 65_536


class Client(Verbs):
    """Sends one line at a time and waits for its reply; keeps the newest notices that come in between.

    A refusal comes back as a Reply that is not `ok`. Methods raise NoDaemon if the connection is lost,
    TimeoutError if no reply comes in time (they then close the connection), and BrokenReply if the
    other end speaks another protocol.
    """

    def __init__(self, sock: socket.socket, address: Address, answer_s: float = ANSWER_S) -> None:
        self.address = address
        self._answer_s = answer_s
        self._sock = sock
        self._sock.setblocking(True)
        self._reader = ReplyReader()
        self._replies: deque[Reply] = deque()
        self._notices: deque[ReceivedNotice] = deque(maxlen=NOTICES_KEPT)

    @classmethod
    def find(cls, to: str | None = None, environ: Mapping[str, str] | None = None, answer_s: float = ANSWER_S) -> Self:
        """Connect to the daemon at `to`, or where `clients/find.py` says; raises NoDaemon or ValueError."""
        environ = os.environ if environ is None else environ
        client = cls(*connect(places(to, environ), CONNECT_S), answer_s)
        if (key := kept_key(client.address, environ)) is not None:
            client.pair(key)  # if the key is no longer valid, the client keeps the role it has without a key
        return client

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    def close(self) -> None:
        """Close the connection; a running drill goes on."""
        self._sock.close()

    def fileno(self) -> int:
        """Return the socket's number for `select`; the socket is readable when notices may have come."""
        return self._sock.fileno()

    # Asking

    def ask(self, verb: str, /, **values: Value | None) -> Reply:
        """Send a command of the table with the values that are not None, and wait for its reply."""
        command = Command(verb, {name: value for name, value in values.items() if value is not None})
        return self.ask_line(line_of(command))

    def ask_line(self, line: str) -> Reply:
        """Send one line unchanged and wait for its reply."""
        self.send_line(line)
        until_s = time.monotonic() + self._answer_s
        while not self._replies:
            try:
                self._receive(until_s)
            except TimeoutError:
                self.close()  # a late reply would be taken for the reply to the next line
                raise
        return self._replies.popleft()

    def send_line(self, line: str) -> None:
        """Send one line without waiting; `take_replies` returns its reply, before the reply to any later line."""
        if "\n" in line or not line.strip(" "):
            raise ValueError("a line is not empty and holds no newline")
        self._send(line.encode() + b"\n")

    def take_replies(self) -> tuple[Reply, ...]:
        """Return, without waiting, the replies that have come and were not taken yet."""
        try:
            while True:
                self._receive(0.0)
        except TimeoutError:
            replies = tuple(self._replies)
            self._replies.clear()
            return replies

    def stop_now(self) -> None:
        """Send the stop byte, in front of whatever is under way; may be called from another thread.

        The answer is a notice with the topic `stop`.
        """
        self._send(bytes([STOP_BYTE]))

    def notices(self, wait_s: float | None = None) -> Iterator[ReceivedNotice]:
        """Yield notices as they come; end when none came for `wait_s` seconds (None: wait without end)."""
        while True:
            until_s = None if wait_s is None else time.monotonic() + wait_s
            while not self._notices:
                try:
                    self._receive(until_s)
                except TimeoutError:
                    return
            yield self._notices.popleft()

    def snapshot(self) -> Snapshot:
        """Ask for the status as data; raises Refused if the daemon refuses."""
        return read_snapshot(self.ask("status", form="json"))

    def _send(self, data: bytes) -> None:
        try:
            self._sock.sendall(data)
        except OSError as error:
            raise NoDaemon(f"the connection to {self.address} is lost ({error.strerror or error})") from error

    def _receive(self, until_s: float | None) -> None:
        if until_s is not None:
            readable, _, _ = select.select([self._sock], [], [], max(0.0, until_s - time.monotonic()))
            if not readable:
                raise TimeoutError(f"no answer from {self.address} in time")
        try:
            data = self._sock.recv(READ_BYTES)
        except OSError as error:
            raise NoDaemon(f"the connection to {self.address} is lost ({error.strerror or error})") from error
        if not data:
            raise NoDaemon(f"{self.address} has closed the connection")
        for item in self._reader.feed(data):
            if isinstance(item, ReceivedNotice):
                self._notices.append(item)
            else:
                self._replies.append(item)


def read_snapshot(reply: Reply) -> Snapshot:
    """Read the reply to `status json`; raises Refused for a refusal, BrokenReply if it is no snapshot."""
    if not reply.ok:
        raise Refused(reply.code.name if reply.code else "internal", reply.text)
    try:
        return Snapshot.model_validate_json("".join(reply.data))
    except ValueError as error:
        raise BrokenReply("expected a status as one JSON object") from error
