"""A daemon that may have few files open, and far more connections than that from ever new addresses."""

import asyncio
import contextlib
import socket
import subprocess
import sys
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from drillfeed.daemon.shell.line_server import LineServer
from drillfeed.daemon.shell.places import FILES_SPARED, IDLE_S, Places, Room, room_for
from drillfeed.daemon.shell.turns import LINES_A_TURN, Turns
from tests.shell.fake_desk import FakeDesk, Peer, play, until

FILES = 128
STRANGERS = 3 * FILES
SERVER = """
import asyncio
from tests.shell.fake_desk import FakeDesk, served

async def main():
    _, port = await served(FakeDesk())
    print(port, flush=True)
    await asyncio.sleep(60)

asyncio.run(main())
"""


@contextlib.contextmanager
def limited_server() -> Iterator[int]:
    """Serve a fake desk from a process that may have few files open; gives its port."""
    command = ["sh", "-c", f'ulimit -n {FILES}; exec "$@"', "sh", sys.executable, "-c", SERVER]
    process = subprocess.Popen(command, stdout=subprocess.PIPE, text=True)
    assert process.stdout is not None
    try:
        yield int(process.stdout.readline())
    finally:
        process.kill()
        process.wait()
        process.stdout.close()


@pytest.mark.parametrize("said", [b"", b"half a li", b"status\n", b"GET / HTTP/1.1\r\n", b"stop\n"], ids=repr)
def test_a_new_client_can_stop_whoever_holds_how_many_connections(said: bytes) -> None:
    """Three times as many connections are held open as the daemon may have files; every stop is answered."""
    with limited_server() as port, contextlib.ExitStack() as held:
        for n in range(STRANGERS):
            sock = held.enter_context(socket.create_connection(("127.0.0.1", port), 10.0, (f"127.1.{n % 250}.1", 0)))
            with contextlib.suppress(OSError):
                sock.sendall(said)
            if n % 16 == 0:
                with socket.create_connection(("127.0.0.1", port), 10.0) as client:
                    client.sendall(b"stop\n")
                    assert client.recv(4096).startswith(b"done stop")


def test_what_has_arrived_is_read_before_a_connection_makes_room() -> None:
    """The oldest at a full door has just sent a stop when many others come at once: the stop acts."""

    async def story(desk: FakeDesk, server: LineServer, port: int) -> None:
        with contextlib.ExitStack() as held:
            oldest = held.enter_context(socket.create_connection(("127.0.0.1", port)))
            await until(lambda: server.connections == 1)
            (connection,) = server._connections
            assert connection._transport is not None
            connection._transport.pause_reading()  # as if the loop had not come to it yet
            connection._transport._paused = False
            oldest.sendall(b"stop\n")
            for _ in range(20):
                held.enter_context(socket.create_connection(("127.0.0.1", port)))
            await until(lambda: len(desk.stops) == 1)

    play(story, max_connections=1, reserve_connections=3)


def test_a_stop_is_answered_before_the_lines_of_others() -> None:
    """Hundreds of lines of other connections wait for their turns; the answer to a stop does not."""

    async def story(desk: FakeDesk, server: LineServer, port: int) -> None:
        others = [await Peer.tcp(port) for _ in range(30)]
        for other in others:
            other.send(b"help\n" * 60)
        last = await Peer.tcp(port)
        assert (await last.ask("stop")).startswith("done stop")
        assert any(connection._waiting.entries for connection in server._connections)

    play(story)


def test_strangers_on_the_network_leave_the_unix_socket_its_places(tmp_path: Path) -> None:
    """With every TCP place and the whole door taken, the owner's socket takes commands as ever."""

    async def story(desk: FakeDesk, server: LineServer, port: int) -> None:
        await server.listen_unix(tmp_path / "s")
        for _ in range(4):
            assert (await (await Peer.tcp(port)).ask("watch")).startswith("done")
        for _ in range(4):
            await Peer.tcp(port)
        owner = Peer(*await asyncio.open_unix_connection(str(tmp_path / "s")))
        assert (await owner.ask("balls 3")) == "done balls taken"

    play(story, max_connections=4, reserve_connections=2)


@dataclass(eq=False)
class Speaker:
    """A connection with one line to deal with."""

    stop_only: bool
    in_turn: bool = False
    closing: bool = False
    steps: int = 0

    def step(self) -> bool:
        self.steps += 1
        return True

    def read_on(self) -> None:
        raise AssertionError("nobody rests here")


def test_a_client_with_a_place_waits_for_nobody_at_the_door() -> None:
    """Hundreds at the door wait to be refused, and hundreds more are gone again: who has a place is served in the next
    turn, and those at the door not before their few lines' share."""

    async def story() -> None:
        turns = Turns()
        turns.loop = asyncio.get_running_loop()
        strangers, inside = [Speaker(True) for _ in range(1000)], Speaker(False)
        for speaker in (*strangers, inside):
            turns.give(speaker)
        for gone in strangers[:500]:
            gone.closing = True
        await asyncio.sleep(0)
        assert inside.steps >= 1
        assert sum(stranger.steps for stranger in strangers) == LINES_A_TURN
        assert not any(stranger.steps for stranger in strangers[:500])
        inside.closing = True

    asyncio.run(story())


@dataclass(eq=False)
class Guest:
    """A connection that only counts."""

    household: str
    last_heard_s: float = 0.0
    until_s: float | None = None
    keeps_place: bool = False
    awaits_stop: bool = False
    done: list[str] = field(default_factory=list)

    def look(self) -> None:
        self.done.append("look")

    def make_room(self) -> None:
        self.done.append("make room")

    def abort(self) -> None:
        self.done.append("abort")


@given(st.lists(st.tuples(st.sampled_from("abcdefgh"), st.booleans(), st.booleans(), st.floats(0, 200)), max_size=80))
def test_no_one_address_takes_all_places_and_all_figures_hold(comers: list[tuple[str, bool, bool, float]]) -> None:
    """Whoever comes, and whatever each says: places, places of an address and the door keep to their figures, the
    newest is always in, and nobody is cut off unread or while its stop is unanswered if another could go."""
    places, now_s = Places[Guest](Room(places=6, an_address=2, at_door=4)), 0.0
    for household, speaks, waits, wait_s in comers:
        now_s += wait_s
        guest = Guest(household, last_heard_s=now_s, awaits_stop=waits)
        waiting = [guest for guest in places.at_door if guest.awaits_stop]
        places.arrive(guest, now_s)
        if speaks:
            places.take(guest, now_s)
        assert guest in places.at_door or guest in places.placed
        assert len(places.placed) <= 6 and len(places.placed) + len(places.at_door) <= 10
        assert all(sum(guest.household == name for guest in places.placed) <= 2 for name in "abcdefgh")
        cut = [guest for guest in waiting if guest.done[-1:] == ["abort"]]
        assert not cut or all(other.awaits_stop for other in places.at_door if other is not guest)


def test_a_place_goes_to_another_only_after_a_minute_of_silence() -> None:
    """One that was silent for a minute makes room; one that watches, or has spoken since, does not."""
    places = Places[Guest](Room(places=2, an_address=2, at_door=4))
    watches, silent, late = Guest("a", keeps_place=True), Guest("b"), Guest("c")
    for guest in (watches, silent, late):
        places.arrive(guest, 0.0)
    assert places.take(watches, 0.0) and places.take(silent, 0.0) and not places.take(late, IDLE_S - 1)
    assert places.take(late, IDLE_S + 1) and silent.done == ["make room"] and late in places.placed


@pytest.mark.parametrize("files", [256, 1024, 20_000])
def test_all_connections_together_leave_files_for_the_rest(files: int) -> None:
    """Places and doors of both kinds, added up, leave what the rest of a daemon needs."""
    rooms = [room_for(kind, files) for kind in ("tcp", "unix")]
    assert sum(room.places + room.at_door for room in rooms) <= files - FILES_SPARED
    assert all(room.places >= 16 and room.at_door >= 8 for room in rooms)
