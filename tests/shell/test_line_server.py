"""The line server on loopback, with a fake desk behind it."""

import asyncio
import json
import random
import socket
import threading
from pathlib import Path

import pytest

from drillfeed.daemon.shell.callers import role_of
from drillfeed.daemon.shell.doors import AddressInUse
from drillfeed.daemon.shell.line_server import LineServer
from tests.shell.fake_desk import FakeDesk, Peer, hang_up, play, until


def test_pipelined_lines_are_answered_in_order() -> None:
    """Replies come in the order of the lines, whatever mixture of right and wrong they are."""

    async def story(desk: FakeDesk, server: LineServer, port: int) -> None:
        peer = await Peer.tcp(port)
        peer.send(b"status\nbogus\nballs 40\nwatch off\nballs\nhelp load\n")
        got = [await peer.closing() for _ in range(6)]
        words = [" ".join(line.split()[:2]) for line in got]
        assert words == ["done status", "no 12", "done balls", "done watch", "no 13", "done help"]

    play(story)


def test_deferred_reply_holds_back_later_lines_of_the_same_connection_only() -> None:
    """A line waits for the answer of the one before; another connection does not."""

    async def story(desk: FakeDesk, server: LineServer, port: int) -> None:
        first, second = await Peer.tcp(port), await Peer.tcp(port)
        first.send(b"arm\nballs 12\n")
        await until(lambda: len(desk.held) == 1)
        assert (await second.ask("balls 13")).startswith("done balls")
        assert desk.order == ["arm", "balls"]
        thread = threading.Thread(target=desk.finish)
        thread.start()
        assert (await first.closing()) == "done arm armed"
        thread.join()
        assert (await first.closing()).startswith("done balls")
        assert [command.values for command, _ in desk.commands[1:]] == [{"count": 13}, {"count": 12}]

    play(story)


def test_second_call_of_a_reply_is_ignored() -> None:
    """A reply that the desk gives twice is sent once."""

    async def story(desk: FakeDesk, server: LineServer, port: int) -> None:
        peer = await Peer.tcp(port)
        peer.send(b"arm\n")
        await until(lambda: len(desk.held) == 1)
        desk.held = desk.held * 2
        desk.finish()
        desk.finish()
        assert (await peer.closing()) == "done arm armed"
        assert (await peer.ask("quit")) == "done quit"
        assert await peer.line() == ""

    play(story)


def test_client_that_never_reads_costs_a_bounded_buffer() -> None:
    """Answers are held back while the client does not read, and a stop from it still acts."""

    async def story(desk: FakeDesk, server: LineServer, port: int) -> None:
        deaf = await Peer.tcp(port)
        for _ in range(40):
            deaf.send(b"help\n" * 5_000)
            await deaf.writer.drain()
        deaf.send(b"\x18stop\n")
        await until(lambda: len(desk.stops) >= 1)
        (connection,) = server._connections
        assert connection.write_paused
        assert connection._transport is not None
        assert connection._transport.get_write_buffer_size() < 100_000
        assert len(connection._waiting) < 300

    play(story)


def test_over_long_lines_and_bad_bytes_are_refused_once_each() -> None:
    """An over-long line gets one refusal and the connection goes on."""

    async def story(desk: FakeDesk, server: LineServer, port: int) -> None:
        peer = await Peer.tcp(port)
        peer.send(b"x" * 50_000 + b"\nballs 3\n\xff\xfe\nba\x00lls\n\n\r\nballs 4\n")
        got = [" ".join((await peer.closing()).split()[:2]) for _ in range(5)]
        assert got == ["no 11", "done balls", "no 10", "no 10", "done balls"]

    play(story)


def test_random_bytes_without_the_reserved_one_change_nothing() -> None:
    """Random bytes never reach the desk as a stop, and the server goes on."""

    async def story(desk: FakeDesk, server: LineServer, port: int) -> None:
        noise = bytes(byte for byte in random.Random(5).randbytes(100_000) if byte != 0x18)
        peer, other = await Peer.tcp(port), await Peer.tcp(port)
        peer.send(noise + b"\n")
        peer.writer.write_eof()
        assert (await other.ask("status")).startswith("done status IDLE")
        while (line := await peer.line()) != "":
            assert line.startswith("no 1")
        assert desk.order == []

    play(story)


def test_two_hundred_idle_connections_leave_room_for_the_next() -> None:
    """With 200 silent clients, half of them in mid-line, the next one is answered as ever."""

    async def story(desk: FakeDesk, server: LineServer, port: int) -> None:
        idle = [await Peer.tcp(port) for _ in range(200)]
        for peer in idle[::2]:
            peer.send(b"half a li")
        last = await Peer.tcp(port)
        assert (await last.ask("balls 2")) == "done balls taken"
        assert (await last.ask("stop")) == "done stop the feed is closed"
        for peer in idle:
            peer.writer.close()

    play(story)


def test_full_house_still_lets_anybody_stop() -> None:
    """Past the limit a connection may only stop, and the newest such one always gets in."""

    async def story(desk: FakeDesk, server: LineServer, port: int) -> None:
        held = [await Peer.tcp(port) for _ in range(3)]
        for peer in held:
            assert (await peer.ask("watch")) == "done watch on"
        extra = [await Peer.tcp(port) for _ in range(5)]
        assert (await extra[4].ask("balls 3")).startswith("no 15 too-many-clients")
        assert (await extra[4].ask("stop")) == "done stop the feed is closed"
        assert await extra[0].line() == ""
        assert (await held[0].ask("balls 3")) == "done balls taken"

    play(story, max_connections=3, reserve_connections=2)


def test_connection_of_the_reserve_is_closed_after_its_time() -> None:
    """A connection past the limit holds its place for a short time only."""

    async def story(desk: FakeDesk, server: LineServer, port: int) -> None:
        first = await Peer.tcp(port)
        assert (await first.ask("watch")) == "done watch on"
        extra = await Peer.tcp(port)
        assert await extra.line() == ""

    play(story, max_connections=1, reserve_s=0.0)


def test_longest_idle_connection_makes_room(monkeypatch: pytest.MonkeyPatch) -> None:
    """When all places are taken, one idle for over a minute is told and closed; one that watches is not."""

    async def story(desk: FakeDesk, server: LineServer, port: int) -> None:
        watcher, idle = await Peer.tcp(port), await Peer.tcp(port)
        assert (await watcher.ask("watch")) == "done watch on"
        assert (await idle.ask("balls 1")) == "done balls taken"
        ahead = server.loop_time() + 61.0
        monkeypatch.setattr(server, "loop_time", lambda: ahead)
        third = await Peer.tcp(port)
        assert (await third.ask("balls 2")) == "done balls taken"
        assert (await idle.line()).startswith("! closing")
        assert (await watcher.ask("balls 3")) == "done balls taken"

    play(story, max_connections=2)


def test_watcher_is_told_and_others_are_not() -> None:
    """Notices go to those that asked, from the moment they asked, in the form they asked for."""

    async def story(desk: FakeDesk, server: LineServer, port: int) -> None:
        people, program, silent = [await Peer.tcp(port) for _ in range(3)]
        desk.happen("before")
        assert (await people.ask("watch")) == "done watch on"
        assert (await program.ask("watch json")) == "done watch json"
        desk.happen("a ball has left")
        server.notices_ready()
        assert await people.line() == "! log a ball has left"
        assert json.loads((await program.line())[2:])["serial"] == 2
        assert (await people.ask("watch off")) == "done watch off"
        desk.happen("later")
        server.notices_ready()
        assert json.loads((await program.line())[2:])["text"] == "later"
        assert (await people.ask("balls 1")) == "done balls taken"
        assert (await silent.ask("balls 1")) == "done balls taken"

    play(story)


def test_slow_watcher_misses_some_and_is_told_how_many() -> None:
    """A watcher that does not read for a while gets what is still kept and the number of the others."""

    async def story(desk: FakeDesk, server: LineServer, port: int) -> None:
        slow = await Peer.tcp(port)
        assert (await slow.ask("watch")) == "done watch on"
        (connection,) = server._connections
        slow.reader._transport.pause_reading()  # type: ignore[attr-defined]
        while not connection.write_paused:
            desk.happen("x" * 1_000)
            server.notices_ready()
            await asyncio.sleep(0)
        for _ in range(500):
            desk.happen("x" * 1_000)
        server.notices_ready()
        await asyncio.sleep(0)
        told = connection.last_serial
        slow.reader._transport.resume_reading()  # type: ignore[attr-defined]
        seen = 0
        while not (line := await slow.line()).startswith("! missed"):
            assert line.startswith("! log")
            seen += 1
        assert seen == told
        missed = int(line.split()[2])
        assert missed == desk.newest - told - 50
        rest = [await slow.line() for _ in range(50)]
        assert all(line.startswith("! log") for line in rest)

    play(story)


@pytest.mark.parametrize(
    ("kind", "host", "role"),
    [
        ("unix", "", "owner"),
        ("tcp", "127.0.0.1", "player"),
        ("tcp", "127.9.9.9", "player"),
        ("tcp", "::1", "player"),
        ("tcp", "::ffff:127.0.0.1", "player"),
        ("tcp", "192.0.2.7", "anyone"),
        ("tcp", "fe80::1%eth0", "anyone"),
    ],
)
def test_role_comes_from_where_the_peer_is(kind: str, host: str, role: str) -> None:
    """The Unix socket is the owner's, loopback is the player, and everybody else is anyone."""
    assert role_of(kind, host) == role


def test_role_is_checked_before_the_desk(monkeypatch: pytest.MonkeyPatch) -> None:
    """A peer from elsewhere may see, pause and stop; anything more is refused and never reaches the desk."""
    monkeypatch.setattr("drillfeed.daemon.shell.callers.role_of", lambda kind, host: "anyone")

    async def story(desk: FakeDesk, server: LineServer, port: int) -> None:
        peer = await Peer.tcp(port)
        assert (await peer.ask("start 3")).startswith("no 14 not-allowed")
        assert (await peer.ask("status")).startswith("done status")
        assert (await peer.ask("pause")).startswith("done pause")
        assert (await peer.ask("stop")).startswith("done stop")
        assert desk.order == ["pause", "stop"]

    play(story)


def test_mistake_in_the_desk_is_answered_and_the_connection_goes_on() -> None:
    """An exception in the desk becomes `no 99 internal`."""

    def fail() -> None:
        raise ZeroDivisionError

    async def story(desk: FakeDesk, server: LineServer, port: int) -> None:
        peer = await Peer.tcp(port)
        assert (await peer.ask("balls 2")).startswith("no 99 internal")
        assert (await peer.ask("status")).startswith("done status")

    play(story, FakeDesk(on_submit=fail))


def test_status_first_line_is_the_state_and_second_the_next_step() -> None:
    """People read the state and why, then what to type; programs get one JSON object."""

    async def story(desk: FakeDesk, server: LineServer, port: int) -> None:
        peer = await Peer.tcp(port)
        peer.send(b"status\n")
        assert await peer.line() == "| state        IDLE for 2.0 s"
        assert await peer.line() == "| next         arm"
        assert (await peer.closing()) == "done status IDLE for 2.0 s; next: arm"
        peer.send(b"status json\n")
        assert json.loads((await peer.line()).removeprefix("| "))["stop_count"] == 3

    play(story)


def test_unix_socket_is_the_owners_alone_and_is_removed(tmp_path: Path) -> None:
    """The socket file has mode 0600, its peer is the owner, and closing takes the file away."""
    path = tmp_path / "lines.sock"

    async def whole() -> None:
        desk = FakeDesk()
        server = LineServer(desk)
        await server.listen_unix(path)
        assert path.stat().st_mode & 0o777 == 0o600
        peer = Peer(*await asyncio.open_unix_connection(path))
        assert (await peer.ask("cautions accept")) == "done cautions taken"
        assert desk.commands[0][1].role == "owner"
        await server.close()
        await hang_up()
        assert not path.exists()

    asyncio.run(whole())


def test_stale_socket_is_replaced_and_a_live_one_is_refused(tmp_path: Path) -> None:
    """A socket file nobody answers at is replaced; one that answers, or a plain file, is left alone."""
    path = tmp_path / "lines.sock"
    with socket.socket(socket.AF_UNIX) as left_over:
        left_over.bind(str(path))

    async def whole() -> None:
        server, second = LineServer(FakeDesk()), LineServer(FakeDesk())
        await server.listen_unix(path)
        with pytest.raises(AddressInUse, match="a daemon answers"):
            await second.listen_unix(path)
        await second.close()
        peer = Peer(*await asyncio.open_unix_connection(path))
        assert (await peer.ask("status")).startswith("done status")
        await server.close()
        path.write_text("notes")
        with pytest.raises(AddressInUse, match="is no socket"):
            await second.listen_unix(path)
        assert path.read_text() == "notes"
        await hang_up()

    asyncio.run(whole())


def test_closing_tells_the_clients() -> None:
    """A daemon that shuts down says so before the connection ends."""

    async def story(desk: FakeDesk, server: LineServer, port: int) -> None:
        peer = await Peer.tcp(port)
        assert (await peer.ask("balls 2")) == "done balls taken"
        await server.close()
        assert (await peer.line()).startswith("! closing")
        assert await peer.line() == ""

    play(story)
