"""The typed client for asyncio: the methods of `lines.py`, awaited.

Rule of this file: several tasks may ask at once; replies go to the askers in order.
"""

import asyncio
import contextlib
import os
from collections import deque
from collections.abc import AsyncIterator, Mapping
from types import TracebackType
from typing import Literal, Self

from drillfeed.clients.find import Address, NoDaemon, connect, places
from drillfeed.clients.keys import kept_key
from drillfeed.clients.lines import ANSWER_S, CONNECT_S, NOTICES_KEPT, READ_BYTES, read_snapshot
from drillfeed.protocol.commands import Command, Value, line_of
from drillfeed.protocol.lines import STOP_BYTE, BrokenReply, Reply, ReplyReader, Told
from drillfeed.protocol.status import Snapshot


class AsyncClient:
    """Send lines and await their replies; at most `NOTICES_KEPT` notices are kept until they are taken.

    Raises as `Client` does.
    """

    def __init__(
        self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter, address: Address, answer_s: float = ANSWER_S
    ) -> None:
        self.address = address
        self._answer_s = answer_s
        self._stream, self._writer = reader, writer
        self._waiting: deque[asyncio.Future[Reply]] = deque()
        self._notices: deque[Told] = deque(maxlen=NOTICES_KEPT)
        self._news = asyncio.Event()
        self._lost: NoDaemon | BrokenReply | None = None
        self._reading = asyncio.create_task(self._read())

    @classmethod
    async def find(
        cls, to: str | None = None, environ: Mapping[str, str] | None = None, answer_s: float = ANSWER_S
    ) -> Self:
        """Connect to the daemon at `to`, or where `clients/find.py` says; raises NoDaemon or ValueError."""
        environ = os.environ if environ is None else environ
        sock, address = await asyncio.to_thread(connect, places(to, environ), CONNECT_S)
        sock.setblocking(False)
        open_stream = asyncio.open_connection if address.path is None else asyncio.open_unix_connection
        reader, writer = await open_stream(sock=sock)
        client = cls(reader, writer, address, answer_s)
        if (key := kept_key(address, environ)) is not None:
            await client.pair(key)
        return client

    async def __aenter__(self) -> Self:
        return self

    async def __aexit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        await self.close()

    async def close(self) -> None:
        """Close the connection; what runs goes on."""
        self._reading.cancel()
        with contextlib.suppress(asyncio.CancelledError):
            await self._reading
        self._end(NoDaemon("the connection is closed"))
        self._writer.close()
        with contextlib.suppress(OSError):
            await self._writer.wait_closed()

    # Asking

    async def ask(self, verb: str, /, **values: Value | None) -> Reply:
        """Send a command of the table with the values that are not None, and await its reply."""
        command = Command(verb, {name: value for name, value in values.items() if value is not None})
        return await self.ask_line(line_of(command))

    async def ask_line(self, line: str) -> Reply:
        """Send one line as it is and await its reply."""
        if "\n" in line or not line.strip(" "):
            raise ValueError("a line is not empty and holds no newline")
        if self._lost is not None:
            raise self._lost
        answer: asyncio.Future[Reply] = asyncio.get_running_loop().create_future()
        self._waiting.append(answer)
        self._writer.write(line.encode() + b"\n")
        # Shielded: an asker that gives up must not shift the later replies by one.
        return await asyncio.wait_for(asyncio.shield(answer), self._answer_s)

    def stop_now(self) -> None:
        """Send the stop byte, in front of whatever is under way; the answer is a notice with the topic `stop`."""
        if self._lost is not None:
            raise self._lost
        self._writer.write(bytes([STOP_BYTE]))

    async def notices(self) -> AsyncIterator[Told]:
        """Give notices as they come; raises NoDaemon when the connection ends."""
        while True:
            while self._notices:
                yield self._notices.popleft()
            if self._lost is not None:
                raise self._lost
            self._news.clear()
            await self._news.wait()

    async def snapshot(self) -> Snapshot:
        """Ask for the status as data; raises Refused where it is refused."""
        return read_snapshot(await self.ask("status", form="json"))

    # The verbs of the table

    async def help(self, verb: str | None = None) -> Reply:
        """Tell what can be typed."""
        return await self.ask("help", verb=verb)

    async def list(self, of: Literal["drills", "balls", "machines"]) -> Reply:
        """List what can be loaded or is known."""
        return await self.ask("list", of=of)

    async def load(
        self,
        name: str,
        seed: int | None = None,
        balls: int | None = None,
        hand: Literal["right", "left"] | None = None,
        elbow: float | None = None,
    ) -> Reply:
        """Load a drill by name or by the path of its file."""
        return await self.ask("load", name=name, seed=seed, balls=balls, hand=hand, elbow=elbow)

    async def arm(self) -> Reply:
        """Make the machine ready; the reply comes when it is."""
        return await self.ask("arm")

    async def disarm(self) -> Reply:
        """Give up readiness."""
        return await self.ask("disarm")

    async def start(self, stop_count: int) -> Reply:
        """Start the loaded drill, quoting the stop count."""
        return await self.ask("start", stop_count=stop_count)

    async def throw(self, ball: str, stop_count: int) -> Reply:
        """Throw one ball of one type, quoting the stop count."""
        return await self.ask("throw", ball=ball, stop_count=stop_count)

    async def pause(self) -> Reply:
        """Feed no more balls for now."""
        return await self.ask("pause")

    async def resume(self) -> Reply:
        """Go on after a pause."""
        return await self.ask("resume")

    async def ready(self) -> Reply:
        """End a rest that waits for the player."""
        return await self.ask("ready")

    async def stop(self) -> Reply:
        """Stop and await the reply; `stop_now` does not wait for replies before it."""
        return await self.ask("stop")

    async def skip(self) -> Reply:
        """Go to the next set."""
        return await self.ask("skip")

    async def clear(self) -> Reply:
        """Acknowledge a fault."""
        return await self.ask("clear")

    async def status(self, form: Literal["json"] | None = None) -> Reply:
        """Ask for the status as lines; `snapshot` gives it as data."""
        return await self.ask("status", form=form)

    async def watch(self, form: Literal["on", "off", "json"] | None = None) -> Reply:
        """Ask to be told what happens; `notices` gives it."""
        return await self.ask("watch", form=form)

    async def balls(self, count: int) -> Reply:
        """Tell how many balls are in the hopper."""
        return await self.ask("balls", count=count)

    async def rephase(self) -> Reply:
        """Tell that the crank was turned to its mark by hand."""
        return await self.ask("rephase")

    async def easier(self) -> Reply:
        """Go one step easier, at once."""
        return await self.ask("easier")

    async def harder(self) -> Reply:
        """Go one step harder when the set is over, or at a pause."""
        return await self.ask("harder")

    async def slower(self) -> Reply:
        """Go 5 balls a minute slower, at once."""
        return await self.ask("slower")

    async def faster(self) -> Reply:
        """Go 5 balls a minute faster when the set is over, or at a pause."""
        return await self.ask("faster")

    async def swap(self, ball: str, to: str) -> Reply:
        """Throw another ball in place of one, when the set is over or at a pause."""
        return await self.ask("swap", ball=ball, to=to)

    async def queue(
        self,
        name: str,
        seed: int | None = None,
        balls: int | None = None,
        hand: Literal["right", "left"] | None = None,
        elbow: float | None = None,
    ) -> Reply:
        """Say which drill is next."""
        return await self.ask("queue", name=name, seed=seed, balls=balls, hand=hand, elbow=elbow)

    async def mark(
        self,
        result: Literal["made", "missed"],
        count: int | None = None,
        of: int | None = None,
        set: int | None = None,
        ball: int | None = None,
    ) -> Reply:
        """Write down what was made: a count of a set, or one ball."""
        return await self.ask("mark", result=result, count=count, of=of, set=set, ball=ball)

    async def trim(
        self, ball: str, way: Literal["long", "short", "left", "right", "off"] | None = None, by: float | None = None
    ) -> Reply:
        """Shift where a ball type lands, by so many centimetres."""
        return await self.ask("trim", ball=ball, way=way, by=by)

    async def players(
        self,
        action: Literal["list", "add", "choose"] | None = None,
        name: str | None = None,
        hand: Literal["right", "left"] | None = None,
        level: Literal["junior", "club", "advanced"] | None = None,
        elbow: float | None = None,
    ) -> Reply:
        """List the players, add one, or say who plays; `elbow` in cm towards the forehand."""
        return await self.ask("players", action=action, name=name, hand=hand, level=level, elbow=elbow)

    async def history(self) -> Reply:
        """Tell what was practised today."""
        return await self.ask("history")

    async def offer(self) -> Reply:
        """Offer to start or to go on; the player confirms."""
        return await self.ask("offer")

    async def confirm(self, number: int) -> Reply:
        """Take up an offer, quoting its number."""
        return await self.ask("confirm", number=number)

    async def pairing(self, role: Literal["player", "coach"]) -> Reply:
        """Ask for a code that pairs one client."""
        return await self.ask("pairing", role=role)

    async def pair(self, secret: str) -> Reply:
        """Take the role that a code or key stands for."""
        return await self.ask("pair", secret=secret)

    async def paired(self) -> Reply:
        """List the clients that hold a key."""
        return await self.ask("paired")

    async def unpair(self, client: str) -> Reply:
        """Make a key worthless, or all."""
        return await self.ask("unpair", client=client)

    async def relay(self, address: str) -> Reply:
        """Speak for a client elsewhere from here on."""
        return await self.ask("relay", address=address)

    async def setup(self, switch: Literal["on", "off"]) -> Reply:
        """Go into set-up at the machine, or out of it."""
        return await self.ask("setup", switch=switch)

    async def hold(self, token: int) -> Reply:
        """Keep what was asked for going for another 300 ms; each token greater than the one before."""
        return await self.ask("hold", token=token)

    async def jog(self, axis: Literal["top", "bottom", "tilt"], to: float) -> Reply:
        """Turn a wheel (rpm) or the tilt (degrees) while it is held."""
        return await self.ask("jog", axis=axis, to=to)

    async def feed(self, count: Literal["one"] = "one") -> Reply:
        """Throw one ball while it is held."""
        return await self.ask("feed", count=count)

    async def cautions(self, answer: Literal["accept"] = "accept") -> Reply:
        """Acknowledge the cautions."""
        return await self.ask("cautions", answer=answer)

    async def quit(self) -> Reply:
        """Let the daemon close this connection."""
        return await self.ask("quit")

    # Inside

    async def _read(self) -> None:
        reader = ReplyReader()
        try:
            while data := await self._stream.read(READ_BYTES):
                for item in reader.feed(data):
                    self._deliver(item)
            self._end(NoDaemon(f"{self.address} has closed the connection"))
        except OSError as error:
            self._end(NoDaemon(f"the connection to {self.address} is lost ({error.strerror or error})"))
        except BrokenReply as error:
            self._end(error)

    def _deliver(self, item: Reply | Told) -> None:
        if isinstance(item, Told):
            self._notices.append(item)
            self._news.set()
        elif self._waiting:
            answer = self._waiting.popleft()
            if not answer.done():
                answer.set_result(item)

    def _end(self, why: NoDaemon | BrokenReply) -> None:
        self._lost = self._lost or why
        while self._waiting:
            answer = self._waiting.popleft()
            if not answer.done():
                answer.set_exception(self._lost)
                answer.exception()  # looked at, so that an asker that has gone causes no warning
        self._news.set()
