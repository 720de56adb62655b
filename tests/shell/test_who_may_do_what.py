"""Roles over real sockets: every cell of who may do what, and how one comes to a role from elsewhere."""

import asyncio
from pathlib import Path

import pytest

from drillfeed.daemon.shell.line_commands import LINE_HANDLERS
from drillfeed.daemon.shell.line_server import LineServer
from drillfeed.daemon.shell.pairing import Pairings
from drillfeed.protocol.commands import COMMANDS
from tests.shell.fake_desk import FakeDesk, Peer, hang_up

# Written out a second time on purpose, apart from the table: who may what. `remote player` is a paired one.
CALLERS = ("anyone", "coach", "remote player", "player", "owner")
ALL, TAKING_PART = set(CALLERS), {"coach", "remote player", "player", "owner"}
PLAYING, HERE, OWNER = {"remote player", "player", "owner"}, {"player", "owner"}, {"owner"}
MAY: dict[str, set[str]] = {
    **dict.fromkeys(("help", "status", "watch", "quit", "stop", "pause", "pair"), ALL),
    **dict.fromkeys(("list", "disarm", "mark", "players", "history"), TAKING_PART),
    **dict.fromkeys(("easier", "harder", "slower", "faster", "swap", "queue"), TAKING_PART),
    **dict.fromkeys(("load", "arm", "start", "throw", "resume", "ready", "skip", "confirm", "clear"), PLAYING),
    **dict.fromkeys(("balls", "crank-at-mark", "trim", "cautions"), PLAYING),
    **dict.fromkeys(("invite", "clients", "unpair", "relay"), HERE),
    **dict.fromkeys(("setup", "hold", "jog", "feed"), OWNER),
    "offer": {"coach"},
}


class Doors:
    """A line server on loopback and on a Unix socket, and a way in for each kind of caller."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.desk = FakeDesk()
        self.file = folder / "paired.json"

    async def open(self) -> "Doors":
        self.server = LineServer(self.desk, Pairings(self.file))
        _, self.port = await self.server.listen_tcp("127.0.0.1", 0)
        await self.server.listen_unix(self.folder / "s")
        return self

    async def close(self) -> None:
        await hang_up()
        await self.server.close()

    async def local(self) -> Peer:
        return await Peer.tcp(self.port)

    async def owner(self) -> Peer:
        return Peer(*await asyncio.open_unix_connection(str(self.folder / "s")))

    async def from_afar(self, address: str = "192.0.2.7") -> Peer:
        peer = await self.local()
        assert (await peer.ask(f"relay {address}")).startswith("done relay")
        return peer

    async def code(self, role: str) -> str:
        return (await (await self.local()).ask(f"invite {role}")).split()[-1]

    async def paired(self, role: str, address: str = "192.0.2.7") -> tuple[Peer, str]:
        peer = await self.from_afar(address)
        peer.send(f"pair {await self.code(role)}\n".encode())
        assert await peer.line() == f"| role {role}"
        key = (await peer.line()).removeprefix("| key ")
        assert f"you are the {role}" in await peer.line()
        return peer, key

    async def caller(self, kind: str) -> Peer:
        if kind == "anyone":
            return await self.from_afar()
        if kind == "coach":
            return (await self.paired("coach"))[0]
        if kind == "remote player":
            return (await self.paired("player"))[0]
        return await (self.local() if kind == "player" else self.owner())


@pytest.mark.parametrize("kind", CALLERS)
def test_each_cell_of_the_role_table_holds_on_a_real_socket(kind: str, tmp_path: Path) -> None:
    """A caller of this kind is refused by role exactly the commands that are not its own."""

    async def cells() -> dict[str, bool]:
        doors = await Doors(tmp_path).open()
        found = {}
        for verb, row in COMMANDS.items():
            peer = await doors.caller(kind)
            answer = await asyncio.wait_for(_answer(doors, peer, row.example), 5.0)
            found[verb] = not answer.startswith("no 14 not-allowed")
            peer.writer.transport.abort()
        await doors.close()
        return found

    assert asyncio.run(cells()) == {verb: kind in MAY[verb] for verb in COMMANDS}


async def _answer(doors: Doors, peer: Peer, line: str) -> str:
    """Return the closing line; `arm` is answered by the desk only when it is told to."""
    peer.send(line.encode() + b"\n")
    answer = asyncio.ensure_future(peer.closing())
    while not answer.done():
        if line == "arm" and doors.desk.held:
            doors.desk.finish()
        await asyncio.sleep(0)
    return answer.result()


def test_stop_and_pause_act_for_everybody(tmp_path: Path) -> None:
    """Whoever says stop or pause is heard, paired or not, and told apart by name and place."""

    async def said() -> None:
        doors = await Doors(tmp_path).open()
        for kind in CALLERS:
            peer = await doors.caller(kind)
            assert (await peer.ask("stop")).startswith("done stop")
            assert (await peer.ask("pause")).startswith("done pause")
        assert [caller.role for caller in doors.desk.stops] == ["anyone", "coach", "player", "player", "owner"]
        assert doors.desk.stops[0].where == "192.0.2.7, passed on"
        assert not doors.desk.stops[2].here and doors.desk.stops[3].here
        await doors.close()

    asyncio.run(said())


def test_a_code_pairs_one_client_once(tmp_path: Path) -> None:
    """The second to type the same code is refused, with what to do."""

    async def said() -> None:
        doors = await Doors(tmp_path).open()
        code = await doors.code("player")
        first, second = await doors.from_afar(), await doors.from_afar("192.0.2.8")
        assert (await first.ask(f"pair {code}")).startswith("done pair you are the player")
        assert (await second.ask(f"pair {code}")).startswith("no 17 not-paired")
        assert (await second.ask("arm")).startswith("no 14 not-allowed")
        await doors.close()

    asyncio.run(said())


def test_a_key_gives_the_role_again_after_a_restart(tmp_path: Path) -> None:
    """A key outlives connection and daemon; the file that is kept holds no key and is its owner's alone."""

    async def said() -> None:
        doors = await Doors(tmp_path).open()
        _, key = await doors.paired("coach")
        await doors.close()
        kept = doors.file.read_text()
        assert key not in kept and key.split(".")[1] not in kept
        assert doors.file.stat().st_mode & 0o777 == 0o600
        doors = await Doors(tmp_path).open()
        peer = await doors.from_afar()
        assert (await peer.ask(f"pair {key}")).startswith("done pair you are the coach")
        assert (await peer.ask("start 3")).startswith("no 14 not-allowed")
        await doors.close()

    asyncio.run(said())


def test_a_forgotten_client_falls_back_at_once(tmp_path: Path) -> None:
    """`unpair` takes the role from connections that are open, and the key is worth nothing from then on."""

    async def said() -> None:
        doors = await Doors(tmp_path).open()
        peer, key = await doors.paired("player")
        owner = await doors.owner()
        owner.send(b"clients\n")
        listed = await owner.line()
        assert listed.startswith(f"| {key.split('.')[0]} player since ")
        await owner.line()
        assert (await peer.ask("balls 5")).startswith("done balls")
        assert (await owner.ask(f"unpair {key.split('.')[0]}")) == "done unpair 1 forgotten"
        assert (await peer.ask("balls 6")).startswith("no 14 not-allowed")
        assert (await peer.ask(f"pair {key}")).startswith("no 17 not-paired")
        assert (await owner.ask("unpair nobody")).startswith("no 70 unknown-name")
        await doors.close()

    asyncio.run(said())


def test_wrong_codes_slow_their_address_down_and_never_a_stop(tmp_path: Path) -> None:
    """After three wrong codes the right one has to wait too, on any connection of that address; a stop does not."""

    async def said() -> None:
        doors = await Doors(tmp_path).open()
        code = await doors.code("player")
        bad_code = "000000" if code != "000000" else "000001"
        for _ in range(3):
            assert (await (await doors.from_afar()).ask(f"pair {bad_code}")).startswith("no 17 not-paired")
        peer = await doors.from_afar()
        assert (await peer.ask(f"pair {code}")).startswith("no 18 wait")
        assert (await peer.ask("stop")).startswith("done stop")
        assert (await peer.ask("pause")).startswith("done pause")
        elsewhere = await doors.from_afar("198.51.100.4")
        assert (await elsewhere.ask(f"pair {code}")).startswith("done pair")
        await doors.close()

    asyncio.run(said())


def test_a_connection_that_speaks_for_another_cannot_go_back(tmp_path: Path) -> None:
    """After `relay` a connection may neither relay again nor show codes, and a wrong address is refused."""

    async def said() -> None:
        doors = await Doors(tmp_path).open()
        peer = await doors.local()
        assert (await peer.ask("relay hall")).startswith("no 13 bad-argument")
        assert (await peer.ask("relay 2001:db8::7")).startswith("done relay")
        for line in ("relay 192.0.2.1", "invite player", "clients", "unpair all"):
            assert (await peer.ask(line)).startswith("no 14 not-allowed")
        await doors.close()

    asyncio.run(said())


def test_a_key_that_cannot_be_written_down_still_pairs_and_says_so(tmp_path: Path) -> None:
    """A full or locked disk keeps nobody from playing: the answer says that the key will not last."""

    async def said() -> None:
        doors = await Doors(tmp_path).open()
        (tmp_path / "paired.new").mkdir()
        peer = await doors.from_afar()
        answer = await peer.ask(f"pair {await doors.code('player')}")
        assert answer.startswith("done pair you are the player") and "will be forgotten" in answer
        await doors.close()

    asyncio.run(said())


def test_the_line_server_answers_what_the_table_gives_to_it() -> None:
    """Every row handled by the line server has an order there, and there is no other."""
    assert set(LINE_HANDLERS) == {verb for verb, row in COMMANDS.items() if row.handled_by == "line"}
