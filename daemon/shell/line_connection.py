"""One client of the line server: a bounded row of waiting lines, answered one after the other.

Rule of this file: a stop acts before anything else is done with the bytes that it came in. What is kept for a
client stays bounded, whatever it sends: 64 waiting lines, some counters, one half line.
"""

import socket
from collections.abc import Callable
from typing import Literal

from drillfeed.daemon.shell.callers import household
from drillfeed.daemon.shell.line_server_port import LineServerPort
from drillfeed.daemon.shell.places import Places
from drillfeed.daemon.shell.waiting import MAX_WAITING_LINES, StopAnswer, StopCarriedOut, TooFast, WaitingRow
from drillfeed.daemon.shell.wire import Wire
from drillfeed.protocol.commands import Caller, is_stop
from drillfeed.protocol.errors import refuse
from drillfeed.protocol.lines import (
    BadLine,
    Event,
    Greeting,
    Line,
    LineBuffer,
    Reply,
    StopByte,
    format_notice,
    format_reply,
    refusal,
)
from drillfeed.protocol.status import Notice
from drillfeed.protocol.texts.catalogue import text

REFUSALS_A_TURN = 32
MAX_STOP_NOTICE_BYTES = 131_072
CLOSE_FLUSH_S = 2.0

Watching = Literal["off", "text", "json"]


class LineConnection:
    """Read one client, and hand its lines to the server one at a time."""

    def __init__(
        self, server: "LineServerPort[LineConnection]", places: "Places[LineConnection]", caller: Caller, wire: Wire
    ) -> None:
        self.server, self.places, self.caller = server, places, caller
        self.own_caller = caller  # who the client is without a pairing
        self._came_from = caller.name
        self.until_s: float | None = None  # how long it may stay at the door, if there is no place
        self.paired: str | None = None
        self.watching: Watching = "off"
        self.last_serial = 0
        self.last_heard_s = server.loop_time()
        self.in_turn = False
        self.write_paused = False
        self.closing = False
        self._ended = False
        self._stops_untold = 0
        self._buffer = LineBuffer()
        self._waiting = WaitingRow()
        self._outstanding: object | None = None
        self._transport: Wire | None = wire

    # Called by its wire

    def connection_lost(self) -> None:
        """Forget the waiting lines; commands that were already handed over go on."""
        self.closing = True
        self._waiting.clear()
        self._transport = None
        self.places.leave(self)

    def get_buffer(self) -> memoryview:
        """Return a buffer that is smaller the more clients there are, so that one turn of the loop stays short."""
        return self.server.read_into[: self.server.read_share()]

    def buffer_updated(self, nbytes: int) -> None:
        """Take what arrived; if the row is full, pause reading and read on later, because a stop may come."""
        began_s = self.server.loop_time()
        self._take(bytes(self.server.read_into[:nbytes]))
        if self._waiting.full and self._transport is not None and not self.closing:
            self._transport.pause_reading()
            self.server.rest_from(self, self.server.loop_time() - began_s)

    def read_on(self) -> None:
        """Go on reading after a rest."""
        if self._transport is not None and not self.closing:
            self._transport.resume_reading()

    def eof_received(self) -> None:
        """Answer the waiting lines, then close; a `stop` without its newline counts as a stop."""
        self._take_events(self._buffer.end())
        self._ended = True

    def pause_writing(self) -> None:
        """Hold back answers and notices until the client has read some of them."""
        self.write_paused = True

    def resume_writing(self) -> None:
        """Go on with answers and notices."""
        self.write_paused = False
        self.server.give_turn(self)
        self.server.notices_ready()

    # Asked and told by its places and the server

    def begin(self) -> None:
        """Read what has arrived already, and then whatever comes."""
        if self._transport is not None:
            self._transport.serve(self)

    @property
    def household(self) -> str:
        """Return the key under which limits count the address that it came from."""
        return household(self._came_from)

    @property
    def keeps_place(self) -> bool:
        """Tell whether it keeps its place even in silence: it does if it watches."""
        return self.watching != "off"

    @property
    def awaits_stop(self) -> bool:
        """Tell whether it sent a stop that was carried out and is not answered yet."""
        return self._stops_untold > 0 or any(isinstance(entry, StopAnswer) for entry in self._waiting.entries)

    @property
    def stop_only(self) -> bool:
        """Tell whether it has no place and so may only stop."""
        return self not in self.places.placed

    def look(self) -> None:
        """Read and act on what has arrived."""
        if self._transport is not None:
            self._transport.look()

    def settle(self) -> None:
        """Set a connection that has a place to stay alive and to send without delay."""
        if self._transport is not None and self._transport.sock.family != socket.AF_UNIX:
            self._transport.sock.setsockopt(socket.SOL_SOCKET, socket.SO_KEEPALIVE, 1)
            self._transport.sock.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)

    def make_room(self) -> None:
        """Give up the place after a long silence."""
        self.tell(Notice(serial=0, topic="closing", text=text("line.idle")))
        self.close()

    # Reading

    def _take(self, data: bytes) -> None:
        self.last_heard_s = self.server.loop_time()
        self._take_events(self._buffer.feed(data))

    def _take_events(self, events: list[Event]) -> None:
        stop, byte, other = StopCarriedOut(), False, False
        stops = {event for event in events if isinstance(event, Line) and is_stop(event.text)}
        for event in events:
            byte = byte or isinstance(event, StopByte)
            other = other or (isinstance(event, Line) and event not in stops)
        if byte:
            self._stops_untold += 1
            self.server.desk.stop(self.caller, self._from_any_thread(self._tell_stop))
        if stops:
            self.server.desk.stop(self.caller, self._from_any_thread(lambda reply: self._stop_replied(stop, reply)))
        if other and self.stop_only:
            self.server.give_place(self)
        for event in events:
            if isinstance(event, Greeting):
                self.server.warn_of_greeting(self, event.refused)
                self.send_reply(refusal("", event.refused))
                self.close()
            elif self._ended:
                continue
            elif event in stops:
                self._waiting.enter_stop(stop)
            elif not isinstance(event, StopByte):
                self._waiting.enter(event)
        if self._waiting.is_one_pause:
            self.step()  # a pause acts at once, even while the server rests after another client's flood
        self.server.give_turn(self)

    # Answering

    def step(self) -> bool:
        """Deal with the first waiting line; tell whether there is another that can be dealt with now."""
        if self._outstanding is not None or self.write_paused or self.closing:
            return False
        if not self._waiting:
            if self._ended and not self._stops_untold:
                self.close()
            return False
        head = self._waiting.entries[0]
        if isinstance(head, StopAnswer):
            if head.stop.reply is None:
                return False
            self._repeat(head, head.stop.reply)
        elif isinstance(head, TooFast):
            self._repeat(head, refusal("", refuse("line.too-fast", lines=MAX_WAITING_LINES)))
        else:
            self._waiting.take_line()
            if isinstance(head, BadLine):
                self.send_reply(refusal("", head.refused))
            else:
                self._hand_over(head)
        return True

    def _repeat(self, head: StopAnswer | TooFast, reply: Reply) -> None:
        self.write(format_reply(reply) * self._waiting.take(head, REFUSALS_A_TURN))

    def _hand_over(self, line: Line) -> None:
        turn = self._outstanding = object()

        def answered(reply: Reply) -> None:
            # If this is called twice, or after the connection has gone, another line or no line is outstanding.
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
        # The stop is answered before the lines of other clients, unless lines of its own client stand before it.
        stop.reply = reply
        self.step()
        self.server.give_turn(self)

    def _tell_stop(self, reply: Reply) -> None:
        self._stops_untold -= 1
        self.server.give_turn(self)
        if self._transport is not None and self._transport.get_write_buffer_size() < MAX_STOP_NOTICE_BYTES:
            line = reply.text or text("line.stop-taken")
            self.tell(Notice(serial=0, topic="stop", text=line, cue="stop"))

    # Writing

    def send_reply(self, reply: Reply) -> None:
        """Write a whole reply at once, so that no notice splits it."""
        self.write(format_reply(reply))

    def tell(self, notice: Notice) -> None:
        """Write a notice in the form this client asked for."""
        self.write(format_notice(notice, self.watching == "json"))

    def write(self, data: bytes) -> None:
        """Write bytes, unless the client is gone."""
        if self._transport is not None and not self.closing:
            self._transport.write(data)

    def has_room(self) -> bool:
        """Tell whether the client reads fast enough to be sent more; if not, `resume_writing` follows later."""
        return self._transport is not None and not self.closing and not self.write_paused

    def end(self) -> None:
        """Take no more lines; close once the present answer is written."""
        self._waiting.clear()
        self._ended = True

    def close(self) -> None:
        """Send what was written, then close; cut off a client that does not read after two seconds."""
        if self._transport is not None and not self.closing:
            self._transport.close()
            if self._transport.get_write_buffer_size():
                self.server.later(CLOSE_FLUSH_S, self.abort)
        self.closing = True

    def abort(self) -> None:
        """Cut the connection now."""
        if self._transport is not None:
            self._transport.abort()
