"""Bytes in, bounded lines out; and replies and notices, written and read back. No I/O.

Rule of this file: whatever arrives, at most `MAX_LINE_BYTES` of it are kept, and the stop byte is
found before anything else is made of the bytes around it. Feeding byte by byte and feeding at once
give the same events.
"""

import json
import re
from collections.abc import Mapping
from dataclasses import dataclass, field, replace

from drillfeed.protocol.commands import is_stop
from drillfeed.protocol.errors import CODES, ErrorCode, Refused, refuse
from drillfeed.protocol.greetings import TAIL_BYTES, greeting_begun, greeting_ending, greeting_of
from drillfeed.protocol.plain import plain
from drillfeed.protocol.status import Notice
from drillfeed.protocol.texts.catalogue import text

STOP_BYTE = 0x18
MAX_LINE_BYTES = 512
MAX_REPLY_LINE_BYTES = 65_536
MAX_REPLY_DATA_LINES = 20_000

_STOP = bytes([STOP_BYTE])
# C0, DEL, C1, and the two line separators that some readers take for a newline.
_CONTROL = re.compile("[\x00-\x1f\x7f-\x9f\u2028\u2029]")


@dataclass(frozen=True)
class Line:
    """One whole line, without its newline, that is text."""

    text: str


@dataclass(frozen=True)
class StopByte:
    """The reserved byte was received; the half line before it is thrown away."""


@dataclass(frozen=True)
class BadLine:
    """A line that is no text or too long; answered with the refusal, once."""

    refused: Refused


@dataclass(frozen=True)
class Greeting:
    """A line of another protocol, such as HTTP; nothing that comes after it is read."""

    refused: Refused


Event = Line | StopByte | BadLine | Greeting


class LineBuffer:
    """Cut what a client sends into events, keeping never more than one line. After a `Greeting` there are none."""

    def __init__(self) -> None:
        self._kept = bytearray()
        self._tail = b""  # of the line that is skipped
        self._skipping = False
        self._over = False

    def feed(self, data: bytes) -> list[Event]:
        """Take bytes and return what they complete, in order."""
        events: list[Event] = []
        for number, piece in enumerate(data.split(_STOP)):
            if self._over:
                break
            if number:
                self._begin_line()
                events.append(StopByte())
            self._feed_between_stops(piece, events)
        return events

    def end(self) -> list[Event]:
        """Tell that no more bytes will come: an unfinished line is thrown away, unless it is a stop."""
        kept, skipping = bytes(self._kept), self._skipping or self._over
        self._begin_line()
        event = None if skipping else _event_of(kept)
        return [event] if isinstance(event, Line) and is_stop(event.text) else []

    def _feed_between_stops(self, data: bytes, events: list[Event]) -> None:
        *finished, rest = data.split(b"\n")
        for piece in finished:
            whole = piece
            if self._kept or self._skipping or len(piece) > MAX_LINE_BYTES:
                self._keep(piece, events)
                whole = bytes(self._kept)
            skipped, tail = self._skipping, self._tail
            self._begin_line()
            protocol = greeting_ending(tail) if skipped else greeting_of(whole)
            if self._over or self._greets(protocol, whole, events):
                return
            event = None if skipped else _event_of(whole)
            if event is not None:
                events.append(event)
        self._keep(rest, events)

    def _begin_line(self) -> None:
        self._kept.clear()
        self._tail = b""
        self._skipping = False

    def _greets(self, protocol: str | None, line: bytes, events: list[Event]) -> bool:
        """Note a greeting of another protocol, after a stop that the line may be as well; nothing more is read."""
        if protocol is None:
            return False
        event = _event_of(line)
        if isinstance(event, Line) and is_stop(event.text):
            events.append(event)
        events.append(Greeting(refuse("line.other-protocol", protocol=protocol)))
        self._over = True
        return True

    def _keep(self, piece: bytes, events: list[Event]) -> None:
        if self._skipping:
            self._tail = (self._tail + piece)[-TAIL_BYTES:]
            return
        # One more than the limit may be kept: a carriage return before the newline is no part of the line.
        room = MAX_LINE_BYTES + 1 - len(self._kept)
        self._kept += piece[:room]
        if self._greets(greeting_begun(self._kept), b"", events):
            return
        too_long = len(piece) > room or (len(self._kept) > MAX_LINE_BYTES and self._kept[-1:] != b"\r")
        if too_long:
            self._tail = (bytes(self._kept) + piece[room:])[-TAIL_BYTES:]
            self._kept.clear()
            self._skipping = True
            events.append(BadLine(refuse("line.too-long", max_bytes=MAX_LINE_BYTES)))


def _event_of(raw: bytes) -> Event | None:
    """Read the bytes of one line; None for a blank one, which gets no answer."""
    raw = raw.removesuffix(b"\r")
    try:
        line = raw.decode("utf-8")
    except UnicodeDecodeError as error:
        return _bad_bytes(text("line.bad-byte", number=error.start + 1, byte=raw[error.start]))
    match = _CONTROL.search(line)
    if match is not None:
        return _bad_bytes(text("line.control-character", number=match.start() + 1, character=ord(match.group())))
    line = plain(line)
    return Line(line) if line.strip(" ") else None


def _bad_bytes(found: str) -> BadLine:
    return BadLine(refuse("line.bad-bytes", found=found))


@dataclass(frozen=True)
class Reply:
    """The answer to one line. `code` is None where `ok`; `data` lines come before the closing line."""

    ok: bool
    verb: str
    code: ErrorCode | None = None
    text: str = ""
    data: tuple[str, ...] = ()


def done(verb: str, text: str = "", data: tuple[str, ...] = ()) -> Reply:
    """Make the reply of a command that was accepted."""
    return Reply(True, verb, None, text, data)


def refusal(verb: str, refused: Refused) -> Reply:
    """Make the reply of a command that was refused."""
    return Reply(False, verb, refused.code, refused.text)


def format_reply(reply: Reply) -> bytes:
    """Write a reply: its data lines, then exactly one closing line."""
    lines = [f"| {plain(line)}".rstrip(" ") for line in reply.data]
    if reply.ok:
        lines.append(f"done {reply.verb} {plain(reply.text)}".rstrip(" "))
    else:
        code = reply.code or CODES["internal"]
        lines.append(f"no {code.number} {code.name} {plain(reply.text)}".rstrip(" "))
    return ("\n".join(lines) + "\n").encode("utf-8", "replace")


def format_notice(notice: Notice, as_json: bool = False) -> bytes:
    """Write a notice as `! topic text`, or as `! {json}` for programs."""
    text = notice.model_dump_json() if as_json else f"{notice.topic} {notice.text}"
    return f"! {plain(text)}\n".encode("utf-8", "replace")


@dataclass(frozen=True)
class ReceivedNotice:
    """A notice as read from the wire: `fields` is filled, and `serial` not 0, only in the JSON form."""

    topic: str
    text: str
    serial: int = 0
    cue: str | None = None
    fields: Mapping[str, str | int | float | bool | None] = field(default_factory=dict)


class BrokenReply(Exception):
    """What the daemon sent is not of this protocol."""


class ReplyReader:
    """Cut what the daemon sends into replies and notices (the client's side)."""

    def __init__(self) -> None:
        self._kept = b""
        self._data: list[str] = []

    def feed(self, data: bytes) -> list[Reply | ReceivedNotice]:
        """Take bytes and return what they complete, in order; raises BrokenReply."""
        found: list[Reply | ReceivedNotice] = []
        *lines, self._kept = (self._kept + data).split(b"\n")
        for raw in lines:
            item = self._read(plain(raw.removesuffix(b"\r").decode("utf-8", "replace")))
            if item is not None:
                found.append(item)
        if len(self._kept) > MAX_REPLY_LINE_BYTES or len(self._data) > MAX_REPLY_DATA_LINES:
            raise BrokenReply(text("line.reply-does-not-end"))
        return found

    def _read(self, line: str) -> Reply | ReceivedNotice | None:
        if line.startswith("!"):
            return read_notice(line)
        if line.startswith("|"):
            self._data.append(line[2:])
            return None
        reply = read_closing(line)
        data, self._data = tuple(self._data), []
        return replace(reply, data=data)


def read_closing(line: str) -> Reply:
    """Read the closing line of a reply; the verb of a refusal is not on the wire and stays empty."""
    word, _, rest = line.partition(" ")
    if word == "done":
        verb, _, told = rest.partition(" ")
        return Reply(True, verb, None, told)
    number, _, rest = rest.partition(" ")
    name, _, told = rest.partition(" ")
    if word != "no" or not (number.isascii() and number.isdigit()) or not name:
        raise BrokenReply(text("line.unexpected", line=line[:60]))
    # A newer daemon may know codes that this list does not have yet.
    return Reply(False, "", CODES.get(name, ErrorCode(int(number), name)), told)


def read_notice(line: str) -> ReceivedNotice:
    """Read a notice line in either form; raises BrokenReply where the JSON form is broken."""
    body = line[1:].strip(" ")
    if not body.startswith("{"):
        topic, _, told = body.partition(" ")
        return ReceivedNotice(topic, told)
    try:
        got = Notice.model_validate(json.loads(body))
    except ValueError as error:
        raise BrokenReply(text("line.no-notice", line=line[:60])) from error
    return ReceivedNotice(got.topic, got.text, got.serial, got.cue, got.fields)
