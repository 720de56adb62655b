"""The commands that the line server answers itself: each verb has one function and one row in `LINE_HANDLERS`.

Rule of this file: nothing here waits. A function returns its reply, or None if the reply comes later.
"""

import asyncio
import ipaddress
import time
from collections.abc import Callable
from datetime import date
from typing import Protocol, cast

from drillfeed.daemon.shell.desk_port import DeskPort, ReplyTo
from drillfeed.daemon.shell.line_connection import LineConnection, Watching
from drillfeed.daemon.shell.pairing import CODE_S, PairedRole, Pairings
from drillfeed.protocol.commands import Caller, Command
from drillfeed.protocol.errors import refuse
from drillfeed.protocol.help_text import help_lines
from drillfeed.protocol.lines import Reply, done, refusal
from drillfeed.protocol.status import Notice
from drillfeed.protocol.status_text import next_step, state_line, status_lines
from drillfeed.protocol.texts.catalogue import text


class Server(Protocol):
    """What the commands need of the line server."""

    pairings: Pairings
    saving: asyncio.Lock

    @property
    def desk(self) -> DeskPort:
        """Return the desk behind the server."""

    def loop_time(self) -> float:
        """Return the event loop's clock."""

    def newest_serial(self) -> int:
        """Return the serial of the newest notice."""

    def connections_of(self, clients: tuple[str, ...]) -> list[LineConnection]:
        """Return the connections of paired clients."""

    def keep(self, task: "asyncio.Future[None]") -> None:
        """Keep a task until it is done."""


WATCHING: dict[str, Watching] = {"on": "text", "off": "off", "json": "json"}


def _help(server: Server, connection: LineConnection, command: Command, reply: ReplyTo) -> Reply | None:
    verb = command.values.get("verb")
    return done("help", "", help_lines(str(verb) if verb is not None else None))


def _status(server: Server, connection: LineConnection, command: Command, reply: ReplyTo) -> Reply | None:
    snapshot = server.desk.snapshot()
    as_json = "form" in command.values
    data = (snapshot.model_dump_json(),) if as_json else status_lines(snapshot)
    return done("status", text("line.state", state=state_line(snapshot), next_step=next_step(snapshot)), data)


def _watch(server: Server, connection: LineConnection, command: Command, reply: ReplyTo) -> Reply | None:
    form = str(command.values.get("form", "on"))
    connection.watching = WATCHING[form]
    connection.last_serial = server.newest_serial()
    return done("watch", form)


def _quit(server: Server, connection: LineConnection, command: Command, reply: ReplyTo) -> Reply | None:
    connection.end()
    return done("quit")


def _invite(server: Server, connection: LineConnection, command: Command, reply: ReplyTo) -> Reply | None:
    role = cast(PairedRole, command.values["role"])
    code = server.pairings.show_code(role, server.loop_time())
    return done("invite", text("line.pairing", role=role, seconds=CODE_S, code=code), (f"code {code}",))


def _pair(server: Server, connection: LineConnection, command: Command, reply: ReplyTo) -> Reply | None:
    own = connection.own_caller
    entered = server.pairings.enter(str(command.values["secret"]), own.name, server.loop_time(), int(time.time()))
    connection.paired = entered.client
    connection.caller = Caller(entered.role, f"{entered.role} {entered.client}", own.where)
    told = text("line.role", role=entered.role)
    if entered.key is None:
        return done("pair", told, (f"role {entered.role}",))
    key = entered.key

    def saved(error: OSError | None) -> None:
        after = "" if error is None else text("line.key-forgotten", why=error.strerror)
        reply(done("pair", text("line.keep-key", told=told, after=after), (f"role {entered.role}", f"key {key}")))

    _save(server, saved)
    return None


def _clients(server: Server, connection: LineConnection, command: Command, reply: ReplyTo) -> Reply | None:
    clients = server.pairings.clients
    lines = tuple(
        f"{paired.client} {paired.role} since {date.fromtimestamp(paired.since).isoformat()}" for paired in clients
    )
    return done("clients", text("line.paired", number=len(lines)), lines)


def _unpair(server: Server, connection: LineConnection, command: Command, reply: ReplyTo) -> Reply | None:
    dropped = server.pairings.forget(str(command.values["client"]))
    for other in server.connections_of(dropped):
        other.caller, other.paired = other.own_caller, None
        other.tell(Notice(serial=0, topic="log", text=text("line.unpaired")))

    def saved(error: OSError | None) -> None:
        line = text("line.forgotten", number=len(dropped))
        if error is None:
            reply(done("unpair", line))
        else:
            reply(refusal("unpair", refuse("line.not-forgotten", told=line, error=error)))

    _save(server, saved)
    return None


def _relay(server: Server, connection: LineConnection, command: Command, reply: ReplyTo) -> Reply | None:
    address = str(command.values["address"])
    try:
        ipaddress.ip_address(address.split("%")[0])
    except ValueError:
        raise refuse("line.relay") from None
    connection.own_caller = Caller("anyone", address, text("line.passed-on", address=address))
    connection.caller, connection.paired = connection.own_caller, None
    return done("relay", text("line.speaks-for", address=address))


def _save(server: Server, then: Callable[[OSError | None], None]) -> None:
    """Save the paired clients on another thread, one save after the other, then call `then`."""

    async def write() -> None:
        try:
            async with server.saving:
                await asyncio.to_thread(server.pairings.save)
        except OSError as error:
            then(error)
        else:
            then(None)

    server.keep(asyncio.ensure_future(write()))


LINE_HANDLERS: dict[str, Callable[[Server, LineConnection, Command, ReplyTo], Reply | None]] = {
    "help": _help,
    "status": _status,
    "watch": _watch,
    "quit": _quit,
    "invite": _invite,
    "pair": _pair,
    "clients": _clients,
    "unpair": _unpair,
    "relay": _relay,
}
