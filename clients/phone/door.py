"""The small door of the phone page's server: only stop and pause, for pages that have no place.

Rule of this file: one connection to the daemon stays open all the time, so that a knock needs no place there either.
Its role is anyone, like that of a page that has not paired. Only the words of `WORDS` ever pass.
"""

import asyncio
import contextlib
from collections import deque
from collections.abc import Mapping

from drillfeed.clients.find import NoDaemon, connect, places
from drillfeed.clients.lines import CONNECT_S
from drillfeed.clients.phone.bridge import STOP, agreed
from drillfeed.protocol.texts.catalogue import text

WORDS = {STOP: "stop", "stop": "stop", "pause": "pause"}
ANSWER_S = 3.0
RETRY_S = 0.3


class SmallDoor:
    """The standing connection, and the knocks that wait for its answers."""

    def __init__(self, address: str, to: str | None, environ: Mapping[str, str]) -> None:
        self._address, self._to, self._environ = address, to, environ
        self._writer: asyncio.StreamWriter | None = None
        self._asked: deque[asyncio.Future[str]] = deque()

    async def stand(self) -> None:
        """Keep the connection up until cancelled; if it is lost, make another."""
        while True:
            with contextlib.suppress(NoDaemon, OSError, TimeoutError):
                reader, self._writer = await agreed(self._address, self._to, self._environ)
                try:
                    self._ask("watch on")  # a connection that watches does not count as idle
                    await self._hear(reader)
                finally:
                    self._writer.close()
                    self._writer = None
                    while self._asked:
                        self._answer(text("phone.no-daemon"))
            await asyncio.sleep(RETRY_S)

    async def say(self, word: str) -> str:
        """Send a word of `WORDS` to the daemon and return its answer, or `phone.no-daemon` if there was no answer."""
        if self._writer is None:
            return await self._stop_alone() if WORDS[word] == "stop" else text("phone.no-daemon")
        try:
            return await asyncio.wait_for(self._ask(WORDS[word]), ANSWER_S)
        except (TimeoutError, OSError):
            return text("phone.no-daemon")

    async def _hear(self, reader: asyncio.StreamReader) -> None:
        while line := (await reader.readline()).decode("utf-8", "replace").rstrip("\n"):
            if line.startswith(("done ", "no ")) and self._asked:
                self._answer(line)

    def _ask(self, line: str) -> asyncio.Future[str]:
        assert self._writer is not None
        answer: asyncio.Future[str] = asyncio.get_running_loop().create_future()
        self._asked.append(answer)
        self._writer.write(line.encode() + b"\n")
        return answer

    def _answer(self, line: str) -> None:
        answer = self._asked.popleft()
        if not answer.done():
            answer.set_result(line)

    async def _stop_alone(self) -> str:
        """Stop on a separate connection: a daemon that has no place left still takes a stop."""
        try:
            sock, _ = await asyncio.to_thread(connect, places(self._to, self._environ), CONNECT_S)
            sock.setblocking(False)
            reader, writer = await asyncio.open_connection(sock=sock)
            try:
                writer.write(b"stop\n")
                answer = await asyncio.wait_for(reader.readline(), ANSWER_S)
            finally:
                writer.close()
        except (NoDaemon, OSError, TimeoutError):
            return text("phone.no-daemon")
        return answer.decode("utf-8", "replace").strip() or text("phone.no-daemon")
