"""Joins the parts into a running daemon.

Rule of this file: it joins, starts and ends the parts; it decides nothing about balls. A daemon starts at rest, and
stops the machine before it ends.
"""

import asyncio
import contextlib
import gc
import ipaddress
import secrets
import signal
import sys
import time
from collections.abc import Callable
from concurrent.futures import Future
from dataclasses import dataclass
from pathlib import Path

import structlog

from drillfeed.clients.ending import leave_terminal_after, signals_to_end
from drillfeed.clients.sleeping import asleep_s
from drillfeed.daemon.config import Config, host_port, journal_file, state_folder
from drillfeed.daemon.engine.engine import Engine
from drillfeed.daemon.engine.events import CautionsAccepted, DriverConnected, DriverMisfit, Event
from drillfeed.daemon.engine.states import MOVING
from drillfeed.daemon.engine.wording import sentence
from drillfeed.daemon.files import or_set_aside, own_folder, path_of
from drillfeed.daemon.journal.entries import EventEntry
from drillfeed.daemon.journal.last_throws import LastThrows
from drillfeed.daemon.journal.limits import Limits
from drillfeed.daemon.journal.writer import Journal
from drillfeed.daemon.library.loading import load_machine
from drillfeed.daemon.machine import Machine
from drillfeed.daemon.shell import alive, cautions
from drillfeed.daemon.shell.age import with_age
from drillfeed.daemon.shell.control import ControlLoop
from drillfeed.daemon.shell.desk import Desk
from drillfeed.daemon.shell.endpoint import Held
from drillfeed.daemon.shell.instance_lock import InstanceLock
from drillfeed.daemon.shell.line_server import LineServer
from drillfeed.daemon.shell.notify import Manager
from drillfeed.daemon.shell.pairing import FILE as PAIRED_FILE
from drillfeed.daemon.shell.pairing import Pairings
from drillfeed.daemon.shell.planner import Apart
from drillfeed.daemon.shell.practice import Practice
from drillfeed.daemon.shell.trims import trims_file, with_kept_trims
from drillfeed.daemon.validation import FileError, InvalidFile
from drillfeed.protocol.spec import Caller
from drillfeed.protocol.texts.catalogue import text

SWITCH_INTERVAL_S = 0.0005
CONTROL_CALLER = Caller("owner", "the daemon", "shutting down")
LAST_STOP_S = 15.0
JOURNAL_END_S = 3.0


@dataclass(frozen=True)
class Addresses:
    """The addresses of the daemon after binding."""

    tcp: str
    socket: str | None
    link: str
    observe: str | None

    def lines(self) -> list[str]:
        """Return one line for each address."""
        named = (("commands", self.tcp), ("commands", self.socket), ("link", self.link), ("observe", self.observe))
        return [f"{name:<9} {where}" for name, where in named if where]


def quiet_process() -> None:
    """Prepare the process for a punctual thread: short switching intervals, no garbage collection during a drill."""
    sys.setswitchinterval(SWITCH_INTERVAL_S)
    gc.collect()
    gc.freeze()
    gc.disable()


def open_to_the_network(listen: str) -> bool:
    """Tell whether other computers can connect to HOST:PORT."""
    host = host_port(listen)[0]
    try:
        return not ipaddress.ip_address(host).is_loopback
    except ValueError:
        return host != "localhost"


class Daemon:
    """Holds the parts of one daemon; starts and ends them."""

    def __init__(self, config: Config, machine: Machine) -> None:
        self.config, self.machine = config, machine
        folder, name, notes = state_folder(), machine.name, list[str]()
        machine = or_set_aside(lambda: with_kept_trims(folder, machine), trims_file(folder, name), machine, notes)
        machine = self.machine = with_age(machine, journal_file(config))
        accepted = or_set_aside(lambda: cautions.accepted(folder, name), folder / cautions.FILE, False, notes)
        engine = Engine(machine, secrets.token_hex(8), time.monotonic(), accepted)
        drills = path_of(config.drills) if config.drills else None
        self._planner = Apart()
        self.desk = Desk(machine, drills, lambda: secrets.randbelow(2**31), self._planner)
        path, run = journal_file(config), engine.parts.link.session
        self.journal = Journal(path, machine.name, run, last=LastThrows.of(path, run, machine.name))
        limits = Limits(config.day_balls, config.seven_days_balls, config.players)
        pairings = Pairings(folder / PAIRED_FILE)
        notes += pairings.notes
        self.desk.practice = Practice(machine, folder, self.journal, limits, config.players, notes=tuple(notes))
        self.desk.record = self._record
        self.desk.record_command = self.journal.note
        self.control = ControlLoop(engine, config.link, config.observe, self.desk.deliver, asleep_s)
        self.desk.control = self.control
        self.server = LineServer(self.desk, pairings)
        self._held = contextlib.ExitStack()
        self._log = structlog.get_logger("daemon")
        for note in notes:
            self._log.warning(note)

    def _record(self, event: Event) -> None:
        self.journal.note(EventEntry(event))
        if isinstance(event, DriverConnected | DriverMisfit):
            # This is the control thread; writing to a terminal could make it wait.
            self.desk.aside(lambda: self._log.warning(sentence(event)))
        if isinstance(event, CautionsAccepted):
            # This is the control thread, which must not touch the disk.
            self.desk.aside(lambda: cautions.keep(state_folder(), self.machine.name))

    async def open(self) -> Addresses:
        """Bind everything and start the control loop; raise OSError if an address is taken."""
        for endpoint in filter(None, (self.config.link, self.config.observe)):
            self._held.enter_context(Held(endpoint))
        self.desk.notices_ready = self.server.notices_ready
        host, port = host_port(self.config.listen)
        tcp_host, tcp_port = await self.server.listen_tcp(host, port)
        if self.config.socket is not None:
            await self.server.listen_unix(Path(self.config.socket))
        self._planner.start()
        self.journal.start()
        self.control.start()
        bound: Future[tuple[str, str | None]] = self.control.bound
        link, observe = await asyncio.wrap_future(bound)
        quiet_process()
        return Addresses(f"{tcp_host}:{tcp_port}", self.config.socket, link, observe)

    async def close(self) -> None:
        """Stop, wait until the wheels are at rest or the time is over, then end."""
        if self.control.is_alive() and self.control.snapshot.state != "OFFLINE":
            stopped = asyncio.get_running_loop().create_future()
            self.desk.stop(CONTROL_CALLER, _once(stopped))
            with contextlib.suppress(TimeoutError):
                await asyncio.wait_for(stopped, 1.0)
            end_s = time.monotonic() + LAST_STOP_S
            while self.control.snapshot.state in MOVING and time.monotonic() < end_s:
                await asyncio.sleep(0.02)
        await self.abandon()

    async def abandon(self) -> None:
        """End without waiting for the wheels; the driver's own watchdog stops them."""
        self.control.end()
        await asyncio.to_thread(self.desk.close)
        await asyncio.to_thread(self.control.join, 1.0)
        self._held.close()
        self.journal.end()
        if self.journal.is_alive():
            await asyncio.to_thread(self.journal.join, JOURNAL_END_S)
        await self.server.close()


def _once(future: "asyncio.Future[None]") -> Callable[[object], None]:
    loop = future.get_loop()

    def settle(reply: object) -> None:
        loop.call_soon_threadsafe(lambda: None if future.done() else future.set_result(None))

    return settle


async def serve(config: Config, tell: Callable[[str], None]) -> None:
    """Run a daemon until SIGTERM, SIGINT or a hang-up; a second signal ends it at once, except a second hang-up.

    Raises AlreadyRunning if another daemon drives the same machine profile, and InvalidFile if a file of the user's
    cannot be used.
    """
    machine, folder = load_machine(config.machine), state_folder()
    _make_private(folder)
    with InstanceLock(folder, machine.name):
        await _serve(Daemon(config, machine), tell)


def _make_private(folder: Path) -> None:
    """Make the state folder private to its owner; raise InvalidFile if something else is in its place."""
    try:
        own_folder(folder)
    except (FileExistsError, NotADirectoryError) as error:
        found = error.strerror or str(error)
        raise InvalidFile([FileError(str(folder), "(state folder)", found, text("open.folder-or-nothing"))]) from None
    except OSError as error:
        # The daemon also starts with a full or read-only disk; it reports what is not recorded.
        structlog.get_logger("daemon").warning(text("open.no-state-folder"), why=str(error))


async def _serve(daemon: Daemon, tell: Callable[[str], None]) -> None:
    config, manager = daemon.config, Manager()
    addresses = await daemon.open()
    for line in addresses.lines():
        tell(line)
    if open_to_the_network(config.listen):
        tell(f"open      {text('open.not-encrypted')}")
    tell(text("open.machine", name=daemon.machine.name))
    ending = asyncio.Event()
    loop = asyncio.get_running_loop()

    def asked(number: int) -> None:
        leave_terminal_after(number)
        ending.set()

    for number in signals_to_end():
        loop.add_signal_handler(number, asked, number)
    pulse = alive.Pulse({"control": lambda: daemon.control.ticks, "journal": lambda: daemon.journal.turns})
    watchdog = asyncio.create_task(alive.feed(manager, pulse))
    manager.tell(READY="1", STATUS=text("open.at-rest", name=daemon.machine.name))
    await ending.wait()
    manager.tell(STOPPING="1", STATUS="stopping")
    tell(text("open.stopping"))
    for number in (signal.SIGTERM, signal.SIGINT):
        loop.add_signal_handler(number, lambda: sys.exit(1))
    await daemon.close()
    watchdog.cancel()
