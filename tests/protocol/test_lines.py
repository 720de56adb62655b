"""Bytes to lines, and replies and notices to bytes and back."""

import re
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from drillfeed.protocol import lines as lines_module
from drillfeed.protocol.errors import CODES, Refused
from drillfeed.protocol.lines import (
    MAX_LINE_BYTES,
    MAX_REPLY_LINE_BYTES,
    BadLine,
    BrokenReply,
    Event,
    Line,
    LineBuffer,
    ReceivedNotice,
    Reply,
    ReplyReader,
    StopByte,
    done,
    format_notice,
    format_reply,
    refusal,
)
from drillfeed.protocol.plain import plain
from drillfeed.protocol.status import Notice

VECTORS = Path(lines_module.__file__).parent / "vectors" / "lines.txt"
_ITEM = re.compile(r"'([^']*)'(?:\*(\d+))?|(\S+)")


def expand(text: str) -> list[tuple[bool, str]]:
    """Read the items of a vector line as (is it quoted text, the text)."""
    return [
        (True, item[1] * int(item[2] or 1)) if item[3] is None else (False, item[3]) for item in _ITEM.finditer(text)
    ]


def line_vectors() -> list[tuple[str, str]]:
    rows = [row for row in VECTORS.read_text("utf-8").split("\n") if row and not row.startswith("#")]
    return [(left.strip(), right.strip()) for left, _, right in (row.partition("=>") for row in rows)]


def named(events: list[Event]) -> list[tuple[bool, str]]:
    names: list[tuple[bool, str]] = []
    for event in events:
        if isinstance(event, Line):
            names.append((True, event.text))
        else:
            names.append((False, "STOP" if isinstance(event, StopByte) else event.refused.code.name))
    return names


@pytest.mark.parametrize(("sent", "wanted"), line_vectors(), ids=[sent for sent, _ in line_vectors()])
def test_conformance_bytes_give_the_events_the_file_says(sent: str, wanted: str) -> None:
    """Every row of the vector file gives its events, fed at once and byte by byte."""
    data = b"".join(text.encode() if quoted else bytes.fromhex(text) for quoted, text in expand(sent))
    assert named(LineBuffer().feed(data)) == expand(wanted)
    slow = LineBuffer()
    assert named([event for byte in data for event in slow.feed(bytes([byte]))]) == expand(wanted)


pieces = st.one_of(
    st.sampled_from([b"\n", b"\r\n", b"\x18", b"stop", b"arm\n", b"\xff", b"\x00", b"x" * 511, b"x" * 513, b" "]),
    st.binary(max_size=20),
)


@settings(deadline=None)
@given(st.lists(pieces, max_size=30), st.lists(st.integers(1, 700), max_size=20))
def test_any_cutting_of_the_bytes_gives_the_same_events(parts: list[bytes], cuts: list[int]) -> None:
    """Whole, byte by byte, and cut anyhow: the events and what is left over are the same."""
    data = b"".join(parts)
    whole, single, cut = LineBuffer(), LineBuffer(), LineBuffer()
    events = named(whole.feed(data))
    assert named([event for byte in data for event in single.feed(bytes([byte]))]) == events
    got: list[Event] = []
    rest = data
    for size in cuts:
        got += cut.feed(rest[:size])
        rest = rest[size:]
    got += cut.feed(rest)
    assert named(got) == events
    assert named(whole.end()) == named(single.end()) == named(cut.end())


@settings(deadline=None)
@given(st.binary(max_size=3_000))
def test_every_stop_byte_gives_one_stop_and_what_is_kept_is_bounded(data: bytes) -> None:
    """There are as many stops as stop bytes, and never more than one line is kept."""
    buffer = LineBuffer()
    events = buffer.feed(data)
    assert sum(isinstance(event, StopByte) for event in events) == data.count(b"\x18")
    assert len(buffer._kept) <= MAX_LINE_BYTES + 1


@pytest.mark.parametrize(
    ("half", "wanted"), [(b"stop", ["stop"]), (b"Stop it", ["Stop it"]), (b"start 1", []), (b"", [])]
)
def test_end_keeps_an_unfinished_stop_only(half: bytes, wanted: list[str]) -> None:
    """At the end of a connection a half line is thrown away, unless it is a stop."""
    buffer = LineBuffer()
    buffer.feed(half)
    assert [event.text for event in buffer.end() if isinstance(event, Line)] == wanted
    assert buffer.end() == []


words = st.text(st.characters(codec="utf-8"), max_size=40)


@settings(deadline=None)
@given(st.booleans(), st.lists(words, max_size=5), words, st.sampled_from(list(CODES)))
def test_reply_reads_back_whatever_its_texts_hold(ok: bool, data: list[str], text: str, code: str) -> None:
    """A reply has one closing line, no text in it can forge another, and it reads back."""
    reply = Reply(ok, "load", None if ok else CODES[code], text, tuple(data))
    raw = format_reply(reply)
    assert raw.count(b"\n") == len(data) + 1
    (got,) = ReplyReader().feed(raw)
    assert isinstance(got, Reply)
    assert (got.ok, got.code) == (reply.ok, reply.code)
    assert got.text == plain(text).rstrip(" ")
    assert got.data == tuple(plain(line).rstrip(" ") for line in data)
    slow = ReplyReader()
    assert [item for byte in raw for item in slow.feed(bytes([byte]))] == [got]


@settings(deadline=None)
@given(
    words,
    st.sampled_from([None, "tick"]),
    st.dictionaries(words, st.one_of(st.none(), st.integers(), words), max_size=3),
)
def test_notice_reads_back_in_both_forms(
    text: str, cue: str | None, fields: dict[str, str | int | float | bool | None]
) -> None:
    """A notice is one line in either form; the JSON form loses nothing that can be shown in a line."""
    notice = Notice(serial=9, topic="ball", text=text, cue=cue, fields=fields)
    plain, program = format_notice(notice), format_notice(notice, as_json=True)
    assert plain.count(b"\n") == program.count(b"\n") == 1
    (told,) = ReplyReader().feed(program)
    assert isinstance(told, ReceivedNotice)
    assert (told.topic, told.serial, told.cue) == ("ball", 9, cue)
    (told,) = ReplyReader().feed(plain)
    assert isinstance(told, ReceivedNotice) and told.topic == "ball"


def test_grammar_of_replies_is_as_documented() -> None:
    """The three forms, letter for letter."""
    assert format_reply(done("status", "IDLE", ("state IDLE", ""))) == b"| state IDLE\n|\ndone status IDLE\n"
    assert format_reply(done("arm")) == b"done arm\n"
    refused = Refused("wrong-state", "arm is not possible now", expected="IDLE", found="FAULT", do="clear")
    wanted = b"no 30 wrong-state arm is not possible now; expected IDLE; found FAULT. Next: clear\n"
    assert format_reply(refusal("arm", refused)) == wanted
    assert format_notice(Notice(serial=1, topic="ball", text="3 fed")) == b"! ball 3 fed\n"


def test_notices_between_replies_do_not_disturb_them() -> None:
    """Notices and replies come apart again in the order they were sent."""
    got = ReplyReader().feed(b"! ball 1\n| a\n| b\ndone list 2\n! ball 2\nno 12 unknown-command what\n")
    kinds = [item.text if isinstance(item, ReceivedNotice) else item.verb or "no" for item in got]
    assert kinds == ["1", "list", "2", "no"]


def test_code_of_a_newer_daemon_is_kept() -> None:
    """A number this client does not know yet is passed on with its name."""
    (reply,) = ReplyReader().feed(b"no 98 of-tomorrow something\n")
    assert isinstance(reply, Reply) and reply.code is not None
    assert (reply.code.number, reply.code.name, reply.text) == (98, "of-tomorrow", "something")


@pytest.mark.parametrize(
    "raw", [b"hello\n", b"no x y\n", b"no 12\n", b"\n", b"! {broken\n", b"x" * (MAX_REPLY_LINE_BYTES + 1)]
)
def test_what_is_not_of_this_protocol_is_told_apart(raw: bytes) -> None:
    """Another program at the address is found out, not believed, and costs no memory."""
    with pytest.raises(BrokenReply):
        ReplyReader().feed(raw)


def test_bad_line_tells_what_and_where() -> None:
    """The refusal of bad bytes names the place."""
    (event,) = LineBuffer().feed(b"ab\x00c\n")
    assert isinstance(event, BadLine)
    assert "character 3 is the control character 00 hex" in event.refused.text
