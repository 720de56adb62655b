"""A stop through the line server on loopback: in front of everything, in the middle of anything."""

import json

import pytest

from drillfeed.daemon.shell.line_server import LineServer
from tests.shell.fake_desk import FakeDesk, Peer, play, until


@pytest.mark.parametrize("stop", [b"stop\n", b"STOP now, please\r\n", b"\x18"], ids=["line", "words", "byte"])
def test_stop_overtakes_everything_waiting(stop: bytes) -> None:
    """A stop acts while an earlier line of the same connection still waits for its answer."""

    async def story(desk: FakeDesk, server: LineServer, port: int) -> None:
        peer = await Peer.tcp(port)
        peer.send(b"arm\n" + b"balls 1\n" * 30 + stop)
        await until(lambda: len(desk.stops) == 1)
        assert "balls" not in desk.order
        await until(lambda: len(desk.held) == 1)
        desk.finish()
        if stop != b"\x18":
            got = [await peer.closing() for _ in range(32)]
            assert got[0] == "done arm armed"
            assert got[31] == "done stop the feed is closed"

    play(story)


def test_stop_byte_in_mid_line_acts_and_throws_the_half_line_away() -> None:
    """The reserved byte acts without a newline, is answered by a notice, and the line after it is whole."""

    async def story(desk: FakeDesk, server: LineServer, port: int) -> None:
        peer = await Peer.tcp(port)
        peer.send(b"load some-dri\x18")
        assert await peer.line() == "! stop the feed is closed"
        assert (await peer.ask("balls 5")) == "done balls taken"
        assert len(desk.stops) == 1
        assert desk.order == ["stop", "balls"]

    play(story)


def test_stop_byte_is_answered_as_json_to_a_program() -> None:
    """After `watch json` the answer to the stop byte is a JSON notice as well."""

    async def story(desk: FakeDesk, server: LineServer, port: int) -> None:
        peer = await Peer.tcp(port)
        assert (await peer.ask("watch json")) == "done watch json"
        peer.send(b"\x18")
        told = json.loads((await peer.line()).removeprefix("! "))
        assert (told["topic"], told["cue"], told["serial"]) == ("stop", "stop", 0)

    play(story)


def test_stop_byte_alone_is_answered_before_the_connection_closes() -> None:
    """`printf '\\030' | nc -N` stops and is told so."""

    async def story(desk: FakeDesk, server: LineServer, port: int) -> None:
        peer = await Peer.tcp(port)
        peer.send(b"\x18")
        peer.writer.write_eof()
        assert await peer.reader.read() == b"! stop the feed is closed\n"

    play(story)


def test_unfinished_stop_before_the_end_counts() -> None:
    """`printf stop | nc` stops, though no newline was sent; any other half line does nothing."""

    async def story(desk: FakeDesk, server: LineServer, port: int) -> None:
        for half in (b"balls 7", b"stop"):
            peer = await Peer.tcp(port)
            peer.send(half)
            peer.writer.write_eof()
            assert await peer.reader.read() == (b"done stop the feed is closed\n" if half == b"stop" else b"")
        assert desk.order == ["stop"]

    play(story)


def test_flood_of_ten_thousand_lines_does_not_keep_a_stop_waiting() -> None:
    """While one client floods, a stop of another reaches the desk after few of the flood's lines."""

    async def story(desk: FakeDesk, server: LineServer, port: int) -> None:
        flood, other = await Peer.tcp(port), await Peer.tcp(port)
        assert (await other.ask("balls 1")).startswith("done")
        flood.send(b"balls 9\n" * 10_000)
        other.send(b"stop\n")
        assert (await other.closing()).startswith("done stop")
        assert len(desk.commands) < 1_000
        got = [(await flood.closing()).split()[0:2] for _ in range(10_000)]
        assert got[:64] == [["done", "balls"]] * 64
        assert ["no", "16"] in got
        assert (await flood.ask("balls 8")) == "done balls taken"

    play(story)


def test_stop_inside_a_flood_is_found() -> None:
    """A stop that comes after more lines than are kept is carried out at once and answered in its place."""

    async def story(desk: FakeDesk, server: LineServer, port: int) -> None:
        peer = await Peer.tcp(port)
        peer.send(b"arm\n")
        await until(lambda: len(desk.held) == 1)
        peer.send(b"balls 9\n" * 2_000 + b"stop\n" + b"balls 9\n" * 10)
        await until(lambda: len(desk.stops) == 1)
        assert desk.order == ["arm", "stop"]
        desk.finish()
        got = [await peer.closing() for _ in range(2_012)]
        assert [number for number, line in enumerate(got) if line.startswith("done stop")] == [2_001]
        assert sum(line.startswith("done balls") for line in got) == 64
        assert all(line.startswith("no 16 too-fast") for line in got[65:2_001])

    play(story)
