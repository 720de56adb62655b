"""A desk without a machine behind it, and a bare client: what the line server is tested against."""

import asyncio
import queue
import threading
from collections.abc import Awaitable, Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from typing import ClassVar

from drillfeed.daemon.shell.desk_port import ReplyTo
from drillfeed.daemon.shell.line_server import LineServer
from drillfeed.protocol.commands import Caller, Command, check_state
from drillfeed.protocol.errors import Refused
from drillfeed.protocol.lines import Reply, done, refusal
from drillfeed.protocol.status import Notice, Snapshot

RING = 50
WAIT_S = 10.0


@dataclass
class FakeDesk:
    """Answers at once, but `arm`, which is answered when the test calls `finish`."""

    state: str = "IDLE"
    stops: list[Caller] = field(default_factory=list)
    commands: list[tuple[Command, Caller]] = field(default_factory=list)
    noted: list[tuple[Command, Caller, Reply]] = field(default_factory=list)
    order: list[str] = field(default_factory=list)
    held: list[ReplyTo] = field(default_factory=list)
    notices: list[Notice] = field(default_factory=list)
    newest: int = 0
    on_submit: Callable[[], None] = lambda: None
    on_notice: Callable[[], None] = lambda: None

    def stop(self, caller: Caller, reply: ReplyTo) -> None:
        self.stops.append(caller)
        self.order.append("stop")
        reply(done("stop", "the feed is closed"))

    def note(self, command: Command, caller: Caller, reply: Reply) -> None:
        self.noted.append((command, caller, reply))

    def submit(self, command: Command, caller: Caller, reply: ReplyTo) -> None:
        self.commands.append((command, caller))
        self.order.append(command.verb)
        self.on_submit()
        if command.verb == "arm":
            self.held.append(reply)
            return
        try:
            check_state(command, self.snapshot().state)
        except Refused as refused:
            reply(refusal(command.verb, refused))
            return
        reply(done(command.verb, "taken"))

    def finish(self) -> None:
        """Answer the arm that waits longest."""
        self.held.pop(0)(done("arm", "armed"))

    def snapshot(self) -> Snapshot:
        return Snapshot.model_validate(
            {"state": self.state, "since_s": 2.0, "stop_count": 3, "feed": "closed", "machine": "club-build"}
        )

    def happen(self, text: str) -> None:
        self.newest += 1
        self.notices = [*self.notices, Notice(serial=self.newest, topic="log", text=text)][-RING:]
        self.on_notice()

    def notices_since(self, serial: int) -> tuple[list[Notice], int]:
        kept = [notice for notice in self.notices if notice.serial > serial]
        return kept, self.newest - serial - len(kept)


class Peer:
    """A client that writes bytes and reads lines."""

    opened: ClassVar[list["Peer"]] = []

    def __init__(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        self.reader, self.writer = reader, writer
        self.opened.append(self)

    @classmethod
    async def tcp(cls, port: int) -> "Peer":
        return cls(*await asyncio.open_connection("127.0.0.1", port))

    def send(self, data: bytes) -> None:
        self.writer.write(data)

    async def line(self) -> str:
        """Read one line; '' when the connection has ended."""
        return (await asyncio.wait_for(self.reader.readline(), WAIT_S)).decode().removesuffix("\n")

    async def closing(self) -> str:
        """Read up to the closing line of the next reply and return that."""
        while True:
            line = await self.line()
            if not line.startswith(("|", "!")):
                return line

    async def ask(self, line: str) -> str:
        """Send one line and return the closing line of its reply."""
        self.send(line.encode() + b"\n")
        return await self.closing()


async def hang_up() -> None:
    """Close every peer of this test."""
    while Peer.opened:
        peer = Peer.opened.pop()
        peer.writer.transport.abort()
    await asyncio.sleep(0)


async def until(true: Callable[[], bool]) -> None:
    """Let the loop turn until something is true; fail after ten seconds."""
    async with asyncio.timeout(WAIT_S):
        while not true():
            await asyncio.sleep(0)


async def served(desk: FakeDesk, port: int = 0, **limits: float) -> tuple[LineServer, int]:
    """Serve a desk on loopback, on a free port where none is named."""
    server = LineServer(desk, **limits)  # type: ignore[arg-type]
    _, port = await server.listen_tcp("127.0.0.1", port)
    return server, port


@contextmanager
def serving(desk: FakeDesk, port: int = 0) -> Iterator[str]:
    """Serve a desk from a thread of its own; gives the address to write after `--to`."""
    opened: queue.Queue[tuple[LineServer, int]] = queue.Queue()
    loop = asyncio.new_event_loop()

    async def serve() -> None:
        opened.put(await served(desk, port))

    def whole() -> None:
        loop.run_until_complete(serve())
        loop.run_forever()
        loop.run_until_complete(asyncio.sleep(0))
        loop.close()

    thread = threading.Thread(target=whole)
    thread.start()
    server, taken = opened.get(timeout=WAIT_S)
    desk.on_notice = server.notices_ready
    try:
        yield f"127.0.0.1:{taken}"
    finally:
        asyncio.run_coroutine_threadsafe(server.close(), loop).result(WAIT_S)
        loop.call_soon_threadsafe(loop.stop)
        thread.join(WAIT_S)


Story = Callable[[FakeDesk, LineServer, int], Awaitable[None]]


def play(story: Story, desk: FakeDesk | None = None, **limits: float) -> None:
    """Tell a story to a server with a fake desk behind it, for a minute at most."""

    async def whole() -> None:
        own = desk or FakeDesk()
        server, port = await served(own, **limits)
        try:
            await asyncio.wait_for(story(own, server, port), 60)
        finally:
            await hang_up()
            await server.close()

    asyncio.run(whole())
