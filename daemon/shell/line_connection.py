"""One client of the line server: a bounded row of waiting lines, answered one after the other.

Rule of this file: whatever a client sends, a stop in it acts before anything else is done with those
bytes, and what is kept for the client stays bounded: 64 waiting lines, some counters, one half line.
"""

import asyncio
from collections import deque
from collections.abc import Callable
from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

from drillfeed.protocol.commands import Caller, is_stop
from drillfeed.protocol.errors import Refused
from drillfeed.protocol.lines import (
    STOP_BYTE,
    BadLine,
    Event,
    Line,
    LineBuffer,
    Reply,
    StopByte,
    format_notice,
    format_reply,
    refusal,
)
from drillfeed.protocol.status import Notice

if TYPE_CHECKING:
    from drillfeed.daemon.shell.line_server import LineServer

READ_BYTES = 4_096
READ_BYTES_A_TURN = 32_768
READ_BYTES_LEAST = 128
WAITING_LINES_MOST = 64
WAITING_ENTRIES_MOST = 256
REFUSALS_A_TURN = 32
WRITE_HIGH_BYTES = 32_768
WRITE_LOW_BYTES = 8_192
STOP_NOTICE_MOST_BYTES = 131_072
CLOSE_FLUSH_S = 2.0
TOO_FAST = Refused(
    "too-fast",
    "thrown away: too many lines wait for their answers (a stop among them was carried out)",
    expected=f"at most {WAITING_LINES_MOST} waiting lines",
    do="wait for answers before sending more",
)


@dataclass
class TooFast:
    """So many lines in a row that were thrown away; each is refused when its turn comes."""

    count: int


@dataclass
class StopCarriedOut:
    """One stop that was carried out at once; its reply comes a moment later."""

    reply: Reply | None = None


@dataclass
class StopAnswer:
    """So many stop lines in a row, all carried out by one stop; each is answered when its turn comes."""

    stop: StopCarriedOut
    count: int = 1


Watching = Literal["off", "text", "json"]
Waiting = Line | BadLine | TooFast | StopAnswer


class LineConnection(asyncio.BufferedProtocol):
    """Read one client, and hand its lines to the server one at a time."""

    def __init__(self, server: "LineServer") -> None:
        self.server = server
        self.caller = Caller("anyone", "", "")
        self.own_caller = self.caller  # what it is without a pairing
        self.paired: str | None = None
        self.stop_only = False
        self.watching: Watching = "off"
        self.last_serial = 0
        self.last_heard_s = 0.0
        self.in_turn = False
        self.write_paused = False
        self.closing = False
        self._ended = False
        self._stops_untold = 0
        self._buffer = LineBuffer()
        self._read_into = bytearray(READ_BYTES)
        self._waiting: deque[Waiting] = deque()
        self._lines_waiting = 0
        self._outstanding: object | None = None
        self._transport: asyncio.Transport | None = None

    # Called by asyncio

    def connection_made(self, transport: asyncio.BaseTransport) -> None:
        """Take up the connection; the server decides on role and room."""
        assert isinstance(transport, asyncio.Transport)
        self._transport = transport
        transport.set_write_buffer_limits(WRITE_HIGH_BYTES, WRITE_LOW_BYTES)
        self.server.joined(self, transport)

    def connection_lost(self, exc: Exception | None) -> None:
        """Forget what was waiting; what was already handed over goes on."""
        self.closing = True
        self._waiting.clear()
        self._transport = None
        self.server.left(self)

    def get_buffer(self, sizehint: int) -> memoryview:
        """Offer a small buffer, smaller the more clients there are, so that one turn of the loop stays short."""
        share = READ_BYTES_A_TURN // max(1, self.server.connections)
        return memoryview(self._read_into)[: max(READ_BYTES_LEAST, min(READ_BYTES, share))]

    def buffer_updated(self, nbytes: int) -> None:
        """Take what arrived; where the row is full, look again only after a while: a stop may come."""
        began_s = self.server.loop_time()
        self._take(bytes(self._read_into[:nbytes]))
        if self._lines_waiting >= WAITING_LINES_MOST and self._transport is not None and not self.closing:
            self._transport.pause_reading()
            self.server.rest_from(self, self.server.loop_time() - began_s)

    def read_on(self) -> None:
        """Go on reading after a rest."""
        if self._transport is not None and not self.closing:
            self._transport.resume_reading()

    def eof_received(self) -> bool:
        """Answer what is waiting, then close; an unfinished `stop` counts as one."""
        self._take_events(self._buffer.end())
        self._ended = True
        return True

    def pause_writing(self) -> None:
        """Hold back answers and notices until the client has read some."""
        self.write_paused = True

    def resume_writing(self) -> None:
        """Go on with answers and notices."""
        self.write_paused = False
        self.server.give_turn(self)
        self.server.notices_ready()

    # Reading

    def _take(self, data: bytes) -> None:
        self.last_heard_s = self.server.loop_time()
        if STOP_BYTE in data:
            self._stops_untold += 1
            self.server.desk.stop(self.caller, self._from_any_thread(self._tell_stop))
        self._take_events(self._buffer.feed(data))

    def _take_events(self, events: list[Event]) -> None:
        stop = StopCarriedOut()
        if any(isinstance(event, Line) and is_stop(event.text) for event in events):
            self.server.desk.stop(self.caller, self._from_any_thread(lambda reply: self._stop_replied(stop, reply)))
        for event in events:
            if isinstance(event, Line) and is_stop(event.text):
                self._enter_stop(stop)
            elif not isinstance(event, StopByte):
                self._enter(event)
        if self._pauses_first():
            self.step()  # a pause waits for no rest after the flood of another
        self.server.give_turn(self)

    def _pauses_first(self) -> bool:
        """Tell whether all that waits is one pause."""
        head = self._waiting[0] if len(self._waiting) == 1 else None
        return isinstance(head, Line) and head.text.strip().lower() == "pause"

    def _enter(self, event: Line | BadLine) -> None:
        if self._ended:
            return
        if self._lines_waiting < WAITING_LINES_MOST:
            self._lines_waiting += 1
            self._waiting.append(event)
        else:
            self._enter_too_fast()

    def _enter_stop(self, stop: StopCarriedOut) -> None:
        if self._ended:
            return
        last = self._waiting[-1] if self._waiting else None
        if isinstance(last, StopAnswer) and last.stop is stop:
            last.count += 1
        elif len(self._waiting) < WAITING_ENTRIES_MOST:
            self._waiting.append(StopAnswer(stop))
        else:
            self._enter_too_fast()

    def _enter_too_fast(self) -> None:
        last = self._waiting[-1] if self._waiting else None
        if isinstance(last, TooFast):
            last.count += 1
        else:
            self._waiting.append(TooFast(1))

    # Answering

    def step(self) -> bool:
        """Deal with the first waiting line; tell whether there is another that can be dealt with now."""
        if self._outstanding is not None or self.write_paused or self.closing:
            return False
        if not self._waiting:
            if self._ended and not self._stops_untold:
                self.close()
            return False
        head = self._waiting[0]
        if isinstance(head, StopAnswer):
            if head.stop.reply is None:
                return False
            self._repeat(head, head.stop.reply)
        elif isinstance(head, TooFast):
            self._repeat(head, refusal("", TOO_FAST))
        else:
            self._waiting.popleft()
            self._lines_waiting -= 1
            if isinstance(head, BadLine):
                self.send_reply(refusal("", head.refused))
            else:
                self._hand_over(head)
        return True

    def _repeat(self, head: StopAnswer | TooFast, reply: Reply) -> None:
        now = min(head.count, REFUSALS_A_TURN)
        head.count -= now
        if not head.count:
            self._waiting.popleft()
        self.write(format_reply(reply) * now)

    def _hand_over(self, line: Line) -> None:
        turn = self._outstanding = object()

        def answered(reply: Reply) -> None:
            # A reply called a second time, or after the connection went, finds another line outstanding, or none.
            if self._outstanding is turn:
                self._outstanding = None
                self.send_reply(reply)
                self.server.give_turn(self)

        reply = self.server.carry_out(self, line.text, self._from_any_thread(answered))
        if reply is not None:
            answered(reply)

    def _from_any_thread(self, on_reply: Callable[[Reply], None]) -> Callable[[Reply], None]:
        return lambda reply: self.server.on_loop(lambda: on_reply(reply))

    def _stop_replied(self, stop: StopCarriedOut, reply: Reply) -> None:
        stop.reply = reply
        self.server.give_turn(self)

    def _tell_stop(self, reply: Reply) -> None:
        self._stops_untold -= 1
        self.server.give_turn(self)
        if self._transport is not None and self._transport.get_write_buffer_size() < STOP_NOTICE_MOST_BYTES:
            text = reply.text or "the stop was taken"
            self.tell(Notice(serial=0, topic="stop", text=text, cue="stop"))

    # Writing

    def send_reply(self, reply: Reply) -> None:
        """Write a whole reply at once, so that no notice falls inside it."""
        self.write(format_reply(reply))

    def tell(self, notice: Notice) -> None:
        """Write a notice in the form this client asked for."""
        self.write(format_notice(notice, self.watching == "json"))

    def write(self, data: bytes) -> None:
        """Write bytes, unless the client is gone."""
        if self._transport is not None and not self.closing:
            self._transport.write(data)

    def has_room(self) -> bool:
        """Tell whether the client reads fast enough to be told more; `resume_writing` follows where it did not."""
        return self._transport is not None and not self.closing and not self.write_paused

    def end(self) -> None:
        """Take no more lines; close once the answer that is being given is written."""
        self._waiting.clear()
        self._lines_waiting = 0
        self._ended = True

    def close(self) -> None:
        """Send what was written, then close; a client that does not read is cut off after two seconds."""
        if self._transport is not None and not self.closing:
            self._transport.close()
            self.server.later(CLOSE_FLUSH_S, self.abort)
        self.closing = True

    def abort(self) -> None:
        """Cut the connection now."""
        if self._transport is not None:
            self._transport.abort()
