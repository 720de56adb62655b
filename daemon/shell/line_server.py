"""The text command protocol on TCP and a Unix socket, between many clients and one desk.

Rule of this file: a stop goes to the desk the moment its bytes arrive; everything else takes turns, a
few lines a turn for all connections together, so that no client can keep another waiting. After a turn
a rest, and after what was read of clients that flood, so that no flood takes the processor from the control loop. The
desk decides on states; here only bytes, lines and roles are looked at.
"""

import asyncio
import ipaddress
import os
import socket
import stat
import struct
from collections import deque
from collections.abc import Callable
from pathlib import Path
from typing import Protocol

import structlog

from drillfeed.daemon.shell.line_connection import LineConnection
from drillfeed.daemon.shell.line_orders import LINE_ORDERS
from drillfeed.daemon.shell.pairing import Pairings
from drillfeed.protocol.commands import COMMANDS, Caller, Command, Role, check_role, parse
from drillfeed.protocol.errors import CODES, Refused
from drillfeed.protocol.lines import Reply, format_notice, refusal
from drillfeed.protocol.status import Notice, Snapshot

ReplyTo = Callable[[Reply], None]

CONNECTIONS_MOST = 256
RESERVE_CONNECTIONS = 32  # beyond the limit; these may only stop
RESERVE_S = 5.0
IDLE_BEFORE_EVICTION_S = 60.0
LINES_A_TURN = 8
RESTS = 3.0  # times as long as the turn, or the reading, before it
READ_REST_LEAST_S = 0.002
BACKLOG = 128
WARN_EVERY_S = 60.0
ACCEPT_TURNS = 4  # of the loop, by when asyncio has made a connection of what it accepted


class Desk(Protocol):
    """What the line server needs of the daemon behind it. Replies are called once, from any thread."""

    def stop(self, caller: Caller, reply: ReplyTo) -> None:
        """Stop now: set a flag and wake the control loop; never wait, never queue."""

    def submit(self, command: Command, caller: Caller, reply: ReplyTo) -> None:
        """Take a command whose role was checked; the state is checked where it is carried out."""

    def note(self, command: Command, caller: Caller, reply: Reply) -> None:
        """Write down a command that did not come to `stop` or `submit`, and what it was answered."""

    def snapshot(self) -> Snapshot:
        """Tell the last known state of everything."""

    def notices_since(self, serial: int) -> tuple[list[Notice], int]:
        """Return the notices after `serial` that are still kept, and how many are not."""


class AddressInUse(OSError):
    """Another daemon answers at this address, or something that is no socket lies there."""


class LineServer:
    """Hold the connections, give them turns, and pass notices on to those that watch."""

    def __init__(
        self,
        desk: Desk,
        pairings: Pairings | None = None,
        *,
        connections_most: int = CONNECTIONS_MOST,
        reserve_connections: int = RESERVE_CONNECTIONS,
        reserve_s: float = RESERVE_S,
    ) -> None:
        self.desk = desk
        self.pairings = pairings if pairings is not None else Pairings()
        self.saving = asyncio.Lock()
        self._kept: set[asyncio.Future[None]] = set()
        self._connections_most = connections_most
        self._reserve_connections = reserve_connections
        self._reserve_s = reserve_s
        self._loop: asyncio.AbstractEventLoop | None = None
        self._listeners: list[asyncio.Server] = []
        self._socket_file: tuple[Path, int] | None = None
        self._connections: set[LineConnection] = set()
        self._turns: deque[LineConnection] = deque()
        self._turn_planned = False
        self._rests_until_s = float("-inf")
        self._flooding = 0
        self._notices_planned = False
        self._warned_s = float("-inf")

    async def listen_tcp(self, host: str = "127.0.0.1", port: int = 7340) -> tuple[str, int]:
        """Listen on TCP and return the address taken (port 0 takes a free one); raises OSError."""
        self._loop = asyncio.get_running_loop()
        listener = await self._loop.create_server(lambda: LineConnection(self), host, port, backlog=BACKLOG)
        self._listeners.append(listener)
        address = listener.sockets[0].getsockname()
        return str(address[0]), int(address[1])

    async def listen_unix(self, path: Path) -> None:
        """Listen on a Unix socket that its owner alone may open; a stale file is replaced.

        Raises AddressInUse where a daemon answers there or the file is no socket, OSError otherwise.
        """
        self._loop = asyncio.get_running_loop()
        _remove_stale(path)
        sock = socket.socket(socket.AF_UNIX, socket.SOCK_STREAM)
        try:
            sock.bind(str(path))
            # Nobody can connect before listen(), so the mode is right from the first connection on.
            path.chmod(0o600)
            self._socket_file = (path, path.stat().st_ino)
            listener = await self._loop.create_unix_server(lambda: LineConnection(self), sock=sock, backlog=BACKLOG)
        except BaseException:
            sock.close()
            raise
        self._listeners.append(listener)

    async def close(self) -> None:
        """Stop listening, tell the clients, and close every connection."""
        # A connection accepted but not yet made when its listener closes would leave its socket open: accept no more
        # first, then let those under way be made, then close.
        for listener in self._listeners:
            for sock in listener.sockets:
                asyncio.get_running_loop().remove_reader(sock.fileno())
        for _ in range(ACCEPT_TURNS):
            await asyncio.sleep(0)
        for listener in self._listeners:
            listener.close()
        for connection in list(self._connections):
            connection.tell(Notice(serial=0, topic="closing", text="the daemon is shutting down"))
            connection.close()
        if self._socket_file is not None:
            path, inode = self._socket_file
            if path.exists() and path.stat().st_ino == inode:
                path.unlink()
        await asyncio.sleep(0)
        while self._connections:
            for connection in list(self._connections):
                connection.abort()
            await asyncio.sleep(0)

    def notices_ready(self) -> None:
        """Tell that there are new notices; may be called from any thread, as often as one likes."""
        if self._loop is not None and not self._notices_planned:
            self._notices_planned = True
            self.on_loop(self._pass_notices_on)

    # For the connections

    @property
    def connections(self) -> int:
        """Tell how many connections there are."""
        return len(self._connections)

    def joined(self, connection: LineConnection, transport: asyncio.Transport) -> None:
        """Give a new connection its role and a place, or one of the few that may only stop."""
        sock = transport.get_extra_info("socket")
        if sock.family != socket.AF_UNIX:
            sock.setsockopt(socket.SOL_SOCKET, socket.SO_KEEPALIVE, 1)
        connection.caller = connection.own_caller = caller_of(sock)
        connection.last_heard_s = self.loop_time()
        if self._count(stop_only=False) >= self._connections_most and not self._evict_idle():
            connection.stop_only = True
            if self._count(stop_only=True) >= self._reserve_connections:
                oldest = min((c for c in self._connections if c.stop_only), key=lambda c: c.last_heard_s)
                self._connections.discard(oldest)
                oldest.abort()
            self.later(self._reserve_s, connection.close)
        self._connections.add(connection)

    def left(self, connection: LineConnection) -> None:
        """Forget a connection."""
        self._connections.discard(connection)

    def give_turn(self, connection: LineConnection) -> None:
        """Put a connection in the row of those that have something to do."""
        if not connection.in_turn and not connection.closing:
            connection.in_turn = True
            self._turns.append(connection)
        self._plan_turn()

    def carry_out(self, connection: LineConnection, text: str, reply: ReplyTo) -> Reply | None:
        """Parse one line and answer it, or hand it to the desk and return None."""
        verb, command, caller = "", None, connection.caller

        def noted(answer: Reply) -> Reply:
            if command is not None:
                self.desk.note(command, caller, answer)
            return answer

        try:
            if connection.stop_only:
                raise Refused("too-many-clients", "there is no room; this connection may only stop", do="try later")
            command = parse(text)
            verb = command.verb
            check_role(command, caller)
            if COMMANDS[verb].handled_by == "line":
                at_once = LINE_ORDERS[verb](self, connection, command, lambda answer: reply(noted(answer)))
                return None if at_once is None else noted(at_once)
            self.desk.submit(command, caller, reply)
        except Refused as refused:
            return noted(refusal(verb, refused))
        except Exception:
            structlog.get_logger().exception("a line was not carried out", verb=verb)
            return Reply(False, verb, CODES["internal"], "a mistake in drillfeed; nothing was changed; see its log")
        return None

    def on_loop(self, call: Callable[[], None]) -> None:
        """Run `call` on the server's loop soon, from any thread; after the loop has ended, nothing."""
        if self._loop is not None and not self._loop.is_closed():
            try:
                self._loop.call_soon_threadsafe(call)
            except RuntimeError:
                return  # closed between the question and the call: nobody is left to be told

    def later(self, delay_s: float, call: Callable[[], None]) -> None:
        """Run `call` on the loop after a delay."""
        if self._loop is not None:
            self._loop.call_later(delay_s, call)

    def warn_of_greeting(self, connection: LineConnection, refused: Refused) -> None:
        """Log that somebody spoke another protocol here, at most once in a while: a web page can do so all day."""
        now_s = self.loop_time()
        if now_s - self._warned_s >= WARN_EVERY_S:
            self._warned_s = now_s
            where = connection.caller.where
            structlog.get_logger().warning("another protocol on the command line", found=refused.found, address=where)

    def rest_from(self, connection: LineConnection, took_s: float) -> None:
        """Let a connection that floods read on later: the more of them there are, the later."""
        self._flooding += 1

        def read_on() -> None:
            self._flooding -= 1
            connection.read_on()

        self.later(max(READ_REST_LEAST_S, RESTS * took_s * self._flooding), read_on)

    def keep(self, task: "asyncio.Future[None]") -> None:
        """Hold on to a task until it is done; asyncio itself holds it only weakly."""
        self._kept.add(task)
        task.add_done_callback(self._kept.discard)

    def connections_of(self, clients: tuple[str, ...]) -> list[LineConnection]:
        """List the connections that hold the key of one of these clients."""
        return [one for one in self._connections if one.paired in clients]

    def newest_serial(self) -> int:
        """Tell the serial of the newest notice; 0 where there is none."""
        kept, _ = self.desk.notices_since(0)
        return kept[-1].serial if kept else 0

    def loop_time(self) -> float:
        """Tell the loop's own monotonic time in seconds."""
        return self._loop.time() if self._loop is not None else 0.0

    # Inside

    def _plan_turn(self) -> None:
        if self._turns and not self._turn_planned and self._loop is not None:
            self._turn_planned = True
            rest_s = self._rests_until_s - self._loop.time()
            if rest_s > 0:
                self._loop.call_later(rest_s, self._take_turns)
            else:
                self._loop.call_soon(self._take_turns)

    def _take_turns(self) -> None:
        assert self._loop is not None
        began_s = self._loop.time()
        for _ in range(LINES_A_TURN):
            if not self._turns:
                break
            connection = self._turns.popleft()
            connection.in_turn = False
            if connection.step():
                self.give_turn(connection)
        ended_s = self._loop.time()
        self._rests_until_s = ended_s + RESTS * (ended_s - began_s)
        self._turn_planned = False
        self._plan_turn()

    def _pass_notices_on(self) -> None:
        self._notices_planned = False
        written: dict[tuple[int, bool], bytes] = {}
        for connection in list(self._connections):
            if connection.watching != "off":
                self._pass_on_to(connection, written)

    def _pass_on_to(self, connection: LineConnection, written: dict[tuple[int, bool], bytes]) -> None:
        if not connection.has_room():
            return
        notices, missed = self.desk.notices_since(connection.last_serial)
        if missed:
            text = f"{missed} notices were not sent; status tells the present state"
            connection.tell(Notice(serial=0, topic="missed", text=text, fields={"count": missed}))
            connection.last_serial += missed
        for notice in notices:
            if not connection.has_room():
                return
            key = (notice.serial, connection.watching == "json")
            if key not in written:
                written[key] = format_notice(notice, key[1])
            connection.write(written[key])
            connection.last_serial = notice.serial

    def _count(self, *, stop_only: bool) -> int:
        return sum(connection.stop_only == stop_only for connection in self._connections)

    def _evict_idle(self) -> bool:
        since = self.loop_time() - IDLE_BEFORE_EVICTION_S
        idle = [c for c in self._connections if not c.stop_only and c.watching == "off" and c.last_heard_s < since]
        if not idle:
            return False
        longest = min(idle, key=lambda c: c.last_heard_s)
        longest.tell(Notice(serial=0, topic="closing", text="idle, and another client needs the place"))
        longest.close()
        self._connections.discard(longest)
        return True


def caller_of(sock: socket.socket) -> Caller:
    """Tell who is at the other end of a socket: role, name and address."""
    if sock.family == socket.AF_UNIX:
        if not hasattr(socket, "SO_PEERCRED"):
            return Caller(role_of("unix", ""), "owner", "unix socket", here=True)
        _, uid, _ = struct.unpack("3i", sock.getsockopt(socket.SOL_SOCKET, socket.SO_PEERCRED, struct.calcsize("3i")))
        return Caller(role_of("unix", ""), f"uid {uid}", "unix socket", here=True)
    try:
        host, port = sock.getpeername()[:2]
    except OSError:  # gone again before it was looked at
        return Caller("anyone", "", "")
    role = role_of("tcp", host)
    return Caller(role, host, f"{host} port {port}", here=role != "anyone")


def role_of(kind: str, host: str) -> Role:
    """Choose the role of a peer: the Unix socket is its owner's, loopback is the player, others are anyone."""
    if kind == "unix":
        return "owner"
    address = ipaddress.ip_address(host.split("%")[0])
    if isinstance(address, ipaddress.IPv6Address) and address.ipv4_mapped is not None:
        address = address.ipv4_mapped
    return "player" if address.is_loopback else "anyone"


def _remove_stale(path: Path) -> None:
    """Remove a socket file that nobody answers at; raises AddressInUse where something does."""
    try:
        mode = path.lstat().st_mode
    except FileNotFoundError:
        return
    if not stat.S_ISSOCK(mode):
        raise AddressInUse(f"{path} is no socket; expected a socket left by an earlier run, or nothing")
    with socket.socket(socket.AF_UNIX, socket.SOCK_STREAM) as probe:
        probe.settimeout(1.0)
        try:
            probe.connect(os.fspath(path))
        except (ConnectionRefusedError, FileNotFoundError):
            path.unlink(missing_ok=True)
            return
        except OSError as error:
            raise AddressInUse(f"{path} is in use ({error})") from error
    raise AddressInUse(f"a daemon answers at {path}; stop that one first, or choose another --socket")
