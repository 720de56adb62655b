"""The text command protocol on TCP and a Unix socket, between many clients and one desk.

Rule of this file: a stop goes to the desk the moment its bytes arrive; everything else takes turns (`turns.py`).
`places.py` decides who has a place, and the desk checks states; this file checks only lines and roles.
"""

import asyncio
import socket
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import structlog

from drillfeed.daemon.shell.callers import caller_of
from drillfeed.daemon.shell.desk_port import DeskPort, ReplyTo
from drillfeed.daemon.shell.doors import Door, tcp_sockets, unix_socket
from drillfeed.daemon.shell.line_commands import LINE_HANDLERS
from drillfeed.daemon.shell.line_connection import LineConnection
from drillfeed.daemon.shell.pairing import Pairings
from drillfeed.daemon.shell.places import Places, room_for
from drillfeed.daemon.shell.turns import Turns
from drillfeed.daemon.shell.wire import Wire
from drillfeed.protocol.commands import COMMANDS, check_role, parse
from drillfeed.protocol.errors import CODES, Refused, refuse
from drillfeed.protocol.lines import Reply, format_notice, refusal
from drillfeed.protocol.status import Notice
from drillfeed.protocol.texts.catalogue import text

READ_BYTES = 4_096
READ_BYTES_A_TURN = 32_768
MIN_READ_BYTES = 128
WARN_EVERY_S = 60.0
SWEEP_EVERY_S = 0.25


class LineServer:
    """Holds the connections, gives them turns, and passes notices on to those that watch."""

    def __init__(
        self,
        desk: DeskPort,
        pairings: Pairings | None = None,
        *,
        max_connections: int | None = None,
        reserve_connections: int | None = None,
        reserve_s: float | None = None,
    ) -> None:
        self.desk = desk
        self.pairings = pairings if pairings is not None else Pairings()
        self.saving = asyncio.Lock()
        self._kept: set[asyncio.Future[None]] = set()
        room = room_for("tcp")
        given = {"places": max_connections, "an_address": max_connections, "at_door": reserve_connections}
        changed = {name: value for name, value in (*given.items(), ("door_s", reserve_s)) if value is not None}
        # TCP and the machine's own socket have separate places, so strangers on the network never fill the latter.
        self._places = {
            "tcp": Places[LineConnection](replace(room, **changed)),  # type: ignore[arg-type]
            "unix": Places[LineConnection](room_for("unix")),
        }
        self._loop: asyncio.AbstractEventLoop | None = None
        self._doors: list[Door] = []
        self.read_into = memoryview(bytearray(READ_BYTES))  # shared: what is read is taken out at once
        self._socket_file: tuple[Path, int] | None = None
        self._turns = Turns()
        self._notices_planned = False
        self._sweep_planned = False
        self._warned_s = float("-inf")

    async def listen_tcp(self, host: str = "127.0.0.1", port: int = 7340) -> tuple[str, int]:
        """Listen on TCP and return the address taken (port 0 takes a free one); raises OSError."""
        self._loop = self._turns.loop = loop = asyncio.get_running_loop()
        bound = await tcp_sockets(loop, host, port)
        self._doors += [self._door(loop, sock, "tcp") for sock in bound]
        address = bound[0].getsockname()
        return str(address[0]), int(address[1])

    async def listen_unix(self, path: Path) -> None:
        """Listen on a Unix socket that only its owner may open; replace a stale file.

        Raises AddressInUse if a daemon answers there or the file is no socket, OSError otherwise.
        """
        self._loop = self._turns.loop = loop = asyncio.get_running_loop()
        sock = unix_socket(path)
        self._socket_file = (path, path.stat().st_ino)
        self._doors.append(self._door(loop, sock, "unix"))

    async def close(self) -> None:
        """Stop listening, tell the clients, and close every connection."""
        for door in self._doors:
            door.close()
        for connection in self._connections:
            connection.tell(Notice(serial=0, topic="closing", text=text("line.shutting-down")))
            connection.close()
        if self._socket_file is not None:
            path, inode = self._socket_file
            if path.exists() and path.stat().st_ino == inode:
                path.unlink()
        await asyncio.sleep(0)
        for connection in self._connections:
            connection.abort()
        await asyncio.sleep(0)

    def notices_ready(self) -> None:
        """Plan to pass new notices on; may be called from any thread, any number of times."""
        if self._loop is not None and not self._notices_planned:
            self._notices_planned = True
            self.on_loop(self._pass_notices_on)

    # For the connections

    @property
    def connections(self) -> int:
        """Return how many connections there are."""
        return sum(len(places.placed) + len(places.at_door) for places in self._places.values())

    def read_share(self) -> int:
        """Return how many bytes a connection may read at a time: fewer, the more connections there are."""
        return max(MIN_READ_BYTES, min(READ_BYTES, READ_BYTES_A_TURN // max(1, self.connections)))

    def take_in(self, sock: socket.socket, address: object, places: Places[LineConnection]) -> None:
        """Make a connection of an accepted socket, and read what has already arrived."""
        assert self._loop is not None
        try:
            connection = LineConnection(self, places, caller_of(sock, address), Wire(self._loop, sock))
        except (OSError, ValueError):  # the client has already left
            sock.close()
            return
        places.arrive(connection, self._loop.time())
        connection.begin()
        if connection.until_s is not None:
            self._plan_sweep()

    def give_place(self, connection: LineConnection) -> None:
        """Give a connection a place if there is one; without a place it may only stop, and only for a short time."""
        if connection.places.take(connection, self.loop_time()):
            connection.settle()
        else:
            self._plan_sweep()

    def give_turn(self, connection: LineConnection) -> None:
        """Put a connection in the row of connections that have something to do."""
        self._turns.give(connection)

    def carry_out(self, connection: LineConnection, line: str, reply: ReplyTo) -> Reply | None:
        """Parse one line and answer it, or hand it to the desk and return None."""
        verb, command, caller = "", None, connection.caller

        def noted(answer: Reply) -> Reply:
            if command is not None:
                self.desk.note(command, caller, answer)
            return answer

        try:
            if connection.stop_only:
                raise refuse("line.no-room")
            command = parse(line)
            verb = command.verb
            check_role(command, caller)
            if COMMANDS[verb].handled_by == "line":
                at_once = LINE_HANDLERS[verb](self, connection, command, lambda answer: reply(noted(answer)))
                return None if at_once is None else noted(at_once)
            self.desk.submit(command, caller, reply)
        except Refused as refused:
            return noted(refusal(verb, refused))
        except Exception:
            structlog.get_logger().exception("a line was not carried out", verb=verb)
            return Reply(False, verb, CODES["internal"], text("line.mistake"))
        return None

    def on_loop(self, call: Callable[[], None]) -> None:
        """Run `call` on the server's loop soon, from any thread; do nothing after the loop has ended."""
        if self._loop is not None and not self._loop.is_closed():
            try:
                self._loop.call_soon_threadsafe(call)
            except RuntimeError:
                return  # the loop closed between the check and the call, so no client is left

    def later(self, delay_s: float, call: Callable[[], None]) -> None:
        """Run `call` on the loop after a delay."""
        if self._loop is not None:
            self._loop.call_later(delay_s, call)

    def warn_of_greeting(self, connection: LineConnection, refused: Refused) -> None:
        """Log that a client spoke another protocol; at most once a minute, because a web page can do so all day."""
        now_s = self.loop_time()
        if now_s - self._warned_s >= WARN_EVERY_S:
            self._warned_s = now_s
            where = connection.caller.where
            structlog.get_logger().warning("another protocol on the command line", found=refused.found, address=where)

    def rest_from(self, connection: LineConnection, took_s: float) -> None:
        """Let a flooding connection read on later."""
        self._turns.rest_from(connection, took_s, self.later)

    def keep(self, task: "asyncio.Future[None]") -> None:
        """Keep a reference to a task until it is done, because asyncio keeps only a weak one."""
        self._kept.add(task)
        task.add_done_callback(self._kept.discard)

    def connections_of(self, clients: tuple[str, ...]) -> list[LineConnection]:
        """List the connections that hold the key of one of these clients."""
        return [connection for connection in self._connections if connection.paired in clients]

    def newest_serial(self) -> int:
        """Return the serial of the newest notice; 0 if there is none."""
        kept, _ = self.desk.notices_since(0)
        return kept[-1].serial if kept else 0

    def loop_time(self) -> float:
        """Return the loop's own monotonic time in seconds."""
        return self._loop.time() if self._loop is not None else 0.0

    # Inside

    @property
    def _connections(self) -> list[LineConnection]:
        return [guest for places in self._places.values() for guest in (*places.placed, *places.at_door)]

    def _door(self, loop: asyncio.AbstractEventLoop, sock: socket.socket, kind: str) -> Door:
        places = self._places[kind]
        return Door(loop, sock, lambda taken, address: self.take_in(taken, address, places), places.turn_one_away)

    def _plan_sweep(self) -> None:
        if not self._sweep_planned:
            self._sweep_planned = True
            self.later(SWEEP_EVERY_S, self._sweep)

    def _sweep(self) -> None:
        """Close the connections whose time at the door is over; a single timer serves all of them."""
        self._sweep_planned = False
        for places in self._places.values():
            for connection in places.overdue(self.loop_time()):
                connection.close()
            if any(connection.until_s is not None for connection in places.at_door):
                self._plan_sweep()

    def _pass_notices_on(self) -> None:
        self._notices_planned = False
        written: dict[tuple[int, bool], bytes] = {}
        for connection in self._connections:
            if connection.watching != "off":
                self._pass_on_to(connection, written)

    def _pass_on_to(self, connection: LineConnection, written: dict[tuple[int, bool], bytes]) -> None:
        if not connection.has_room():
            return
        notices, missed = self.desk.notices_since(connection.last_serial)
        if missed:
            line = text("line.missed", missed=missed)
            connection.tell(Notice(serial=0, topic="missed", text=line, fields={"count": missed}))
            connection.last_serial += missed
        for notice in notices:
            if not connection.has_room():
                return
            key = (notice.serial, connection.watching == "json")
            if key not in written:
                written[key] = format_notice(notice, key[1])
            connection.write(written[key])
            connection.last_serial = notice.serial
