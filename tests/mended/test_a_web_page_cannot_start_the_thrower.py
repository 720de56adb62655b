"""What a browser, or another program of another protocol, sends to the command port."""

import itertools
import socket
import string

import pytest
from hypothesis import given
from hypothesis import strategies as st

from drillfeed.daemon.shell.line_server import LineServer
from drillfeed.protocol.commands import COMMANDS, usage
from drillfeed.protocol.lines import BadLine, Line, LineBuffer, StopByte
from tests.shell.fake_desk import FakeDesk, Peer, play, serving, until

ORDERS = b"cautions accept\nclear\narm\n" + b"".join(b"start %d\n" % n for n in range(12))
HEADERS = (
    b"Host: 127.0.0.1:7340\r\nConnection: keep-alive\r\nContent-Length: 96\r\nContent-Type: text/plain\r\n"
    b"Origin: http://attacker.example\r\nAccept: */*\r\n\r\n"
)
GREETINGS: dict[str, bytes] = {
    "post": b"POST / HTTP/1.1\r\n" + HEADERS,
    "get": b"GET / HTTP/1.1\r\n" + HEADERS,
    "web-socket": b"GET /lines HTTP/1.1\r\nUpgrade: websocket\r\n" + HEADERS,
    "method-of-its-own": b"arm / HTTP/1.1\r\n" + HEADERS,
    "small-letters": b"post /x http/1.1\r\nhost: here\r\n",
    "long-target": b"POST /" + b"a" * 5000 + b" HTTP/1.1\r\n" + HEADERS,
    "long-target-own-method": b"balls /" + b"a" * 5000 + b" HTTP/1.1\r\n" + HEADERS,
    "target-ends-at-the-limit": b"balls /" + b"a" * 500 + b" HTTP/1.1\r\n" + HEADERS,
    "no-version": b"GET /index.html\r\n",
    "whole-url": b"GET http://127.0.0.1:7340/ HTTP/1.0\r\n",
    "connect": b"CONNECT 127.0.0.1:7340 HTTP/1.1\r\n",
    "http-2": b"PRI * HTTP/2.0\r\n\r\nSM\r\n\r\n",
    "headers-alone": HEADERS,
    "tls": b"\x16\x03\x01\x02\x00\x01\x00\x01\xfc\x03\x03" + bytes(range(32)) + b"\n",
    "tls-whose-random-part-is-a-stop": b"\x16\x03\x01\x02\x18\nstop\n\x18\n",
    "ssh": b"SSH-2.0-client\r\n",
    "proxy-1": b"PROXY TCP4 192.0.2.1 192.0.2.2 50000 7340\r\n",
    "proxy-2": b"\r\n\r\n\x00\r\nQUIT\n\x21\x11\x00\x0c" + bytes(12),
    "socks-5": b"\x05\x01\x00\n",
    "socks-4": b"\x04\x01\x1c\xac\x7f\x00\x00\x01u\x00\n",
    "stun": b"\x00\x03\x00\x24!\x12\xa4B0123456789ab\x00\x06\x00\x40\n",
    "stun-of-24-bytes": b"\x00\x01\x00\x18!\x12\xa4B0123456789ab\n",
    "rtsp": b"OPTIONS rtsp://127.0.0.1/ RTSP/1.0\r\n",
}


def leads_to_a_stop(greeting: bytes) -> bool:
    """Tell whether the stop byte stands where no greeting is to be seen yet."""
    return greeting.startswith(b"\x00\x01\x00\x18")


@pytest.mark.parametrize("name", GREETINGS)
def test_nothing_after_a_greeting_of_another_protocol_acts(name: str) -> None:
    """The connection is closed at the first line, with one refusal at most; no later line and no later stop acts."""

    async def story(desk: FakeDesk, server: LineServer, port: int) -> None:
        peer = await Peer.tcp(port)
        peer.send(GREETINGS[name] + ORDERS + b"stop\n\x18" + ORDERS)
        got = b""
        try:
            while part := await peer.reader.read(65_536):
                got += part
        except ConnectionResetError:
            pass  # what was not read when the connection was closed
        assert b"done" not in got
        other = await Peer.tcp(port)
        assert (await other.ask("balls 3")) == "done balls taken"
        assert [verb for verb in desk.order if verb != "stop"] == ["balls"]
        assert len(desk.stops) == leads_to_a_stop(GREETINGS[name])

    play(story, FakeDesk(state="ARMED"))


@pytest.mark.parametrize("name", GREETINGS)
def test_a_greeting_is_seen_however_it_is_cut(name: str) -> None:
    """Byte by byte, and cut in two at any place, the events are those of the whole."""
    data = GREETINGS[name][:600] + GREETINGS[name][-200:] + ORDERS
    whole, single = LineBuffer(), LineBuffer()
    events = [repr(event) for event in whole.feed(data)]
    assert "Greeting" in events[-1] and not any("arm" in event for event in events)
    assert [repr(event) for n in range(len(data)) for event in single.feed(data[n : n + 1])] == events
    for cut in range(len(data)):
        halves = LineBuffer()
        assert [repr(event) for part in (data[:cut], data[cut:]) for event in halves.feed(part)] == events
        assert halves.end() == []


@pytest.mark.parametrize(
    "begins",
    [
        b"\x05\x01\x00",
        b"\x04\x01",
        b"\x16\x03",
        b"GET /",
        b"SSH-2",
        b"PROXY TCP4",
        b"host:",
        b"\x00",
        b"!\x12\xa4B",
        b"!",
    ],
    ids=repr,
)
def test_what_stands_late_in_an_over_long_line_begins_no_greeting(begins: bytes) -> None:
    """A line that is too long is refused as that and costs no connection, wherever its kept end begins."""
    for after in range(len(begins), 200):
        buffer = LineBuffer()
        too_long, stop = buffer.feed(b"no:" + b"x" * 600 + begins + b"y" * (after - len(begins)) + b"\nstop\n")
        assert isinstance(too_long, BadLine) and stop == Line("stop")


def test_the_refusal_says_what_was_found() -> None:
    """Who reaches the port with a browser or curl reads why."""
    desk = FakeDesk()
    with serving(desk) as to, socket.create_connection(("127.0.0.1", int(to.split(":")[1])), 10.0) as sock:
        sock.sendall(b"GET / HTTP/1.1\r\n")
        got = b""
        while part := sock.recv(4096):
            got += part
    assert got.startswith(b"no 19 other-protocol ") and b"found HTTP" in got and got.count(b"\n") == 1


def test_a_stop_before_a_greeting_or_as_one_acts() -> None:
    """A stop acts whatever the rest of its line or of its connection is."""

    async def story(desk: FakeDesk, server: LineServer, port: int) -> None:
        for count, sent in enumerate(
            (b"stop\nGET / HTTP/1.1\r\n", b"\x18GET / HTTP/1.1\r\n", b"STOP / HTTP/1.1\r\n"), 1
        ):
            peer = await Peer.tcp(port)
            peer.send(sent + ORDERS)
            await until(lambda count=count: len(desk.stops) == count)  # type: ignore[misc]
            assert await peer.reader.read() is not None
        assert desk.order == ["stop"] * 3

    play(story, FakeDesk(state="ARMED"))


def test_every_typo_of_a_command_is_refused_and_the_stop_after_it_is_carried_out() -> None:
    """One letter left out or put in, capitals, a colon, a slash, a bare version: no connection ends."""
    written = {usage(row) for row in COMMANDS.values()} | {row.example for row in COMMANDS.values()}
    words = {variant for line in written for variant in (line, line.upper(), line.title(), f"/{line}", f"{line}/1.1")}
    words |= {line[:n] + line[n + 1 :] for line in written for n in range(len(line))}
    words |= {line[:n] + letter + line[n:] for line in written for n in range(3) for letter in "./:*x \t"}
    words |= {
        "get",
        "post",
        "head left",
        "GET",
        "HTTP",
        "PROXY",
        "host",
        "options list",
        "HEAD up",
        "connect",
        "ssh",
        "put ball",
    }
    for line in sorted(words):
        events = LineBuffer().feed(line.encode() + b"\nstop\n")
        assert events[-1] == Line("stop"), line


@given(st.lists(st.text(string.ascii_letters + " /.:-_0123456789", max_size=30), max_size=8))
def test_lines_that_nobody_but_a_person_sends_never_end_a_connection(lines: list[str]) -> None:
    """Letters, digits and marks in any order, without a version word or a header's name, are lines."""
    typed = [line for line in lines if "http/" not in line.lower()]
    events = LineBuffer().feed("".join(f"x{line}\n" for line in typed).encode() + b"stop\n\x18")
    assert events[-2:] == [Line("stop"), StopByte()] and len(events) == len(typed) + 2


def test_what_is_kept_of_an_endless_line_stays_bounded() -> None:
    """However long a request line is, a few hundred bytes of it are held."""
    buffer = LineBuffer()
    for _ in itertools.repeat(None, 1000):
        buffer.feed(b"balls /" + b"a" * 10_000)
    assert len(buffer._kept) + len(buffer._tail) < 1000
