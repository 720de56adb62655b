"""Real processes to do harm to: a daemon, a driver on its board, if asked for a proxy between them, and clients.

Rule of this file: only processes started here are signalled, by their id. Driver and bench read the same monotonic
clock of the system, so a moment noted here can be held against the driver's log.
"""

import contextlib
import os
import signal
import socket
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Sequence
from pathlib import Path
from types import TracebackType
from typing import Any, Self

from drillfeed.clients.find import NoDaemon
from drillfeed.clients.lines import Client
from tests.faults.boards import Board, Place, in_place
from tests.faults.proxy import Proxy
from tests.support import terminal
from tests.support.driver_log import read_log, times
from tests.support.slept_clock import SleptClock

READY_S = 40.0
END_S = 10.0
POLL_S = 0.01
DRILL = """\
name = "bench"
title = "Fault bench"
level = "club"
tempo_per_min = 60
start_delay_s = 5
resume_delay_s = 3
max_balls = 1200
max_minutes = 60

[[set]]
balls = 100
[set.sequence]
kind = "fixed"
balls = [{balls}]
"""
USUAL_BALLS = '"light-topspin", "heavy-push"'
BALLS = {"kit-build": '"no-spin-steady", "gentle-topspin"'}


class NotReady(Exception):
    """The bench itself did not come up, or did not get as far as the fault."""


def free_ports(count: int) -> list[int]:
    """Return ports on loopback that are free just now."""
    with contextlib.ExitStack() as stack:
        held = [stack.enter_context(socket.socket()) for _ in range(count)]
        for listener in held:
            listener.bind(("127.0.0.1", 0))
        return [int(listener.getsockname()[1]) for listener in held]


class Bench:
    """One hall in processes of their own. Leave it and everything that was started is ended."""

    def __init__(
        self,
        machine: str | None = None,
        faults: Sequence[str] = (),
        proxied: bool = False,
        daemon: Sequence[str] = ("drillfeed.daemon.cli",),
        driver: Sequence[str] = ("drillfeed.daemon.cli",),
        board: Board | None = None,
        on_terminal: Sequence[str] = (),
        ipc: bool = False,
        sleepers: Sequence[str] = (),
        files: int | None = None,
    ) -> None:
        self.board = board or in_place()
        self.machine, self.faults = machine or self.board.machine, tuple(faults)
        self._files = files  # that the daemon may have open; None for as many as the bench itself
        self._modules = {"daemon": daemon, "driver": driver}
        self._on_terminal, self._terminals = tuple(on_terminal), dict[str, int]()
        self._stack = contextlib.ExitStack()
        self.folder = Path(self._stack.enter_context(tempfile.TemporaryDirectory(prefix="drillfeed-faults-")))
        # In memory, as on any machine, and gone with the bench, however its daemons end.
        memory = "/dev/shm" if os.access("/dev/shm", os.W_OK) else None
        self._memory = self._stack.enter_context(tempfile.TemporaryDirectory(prefix="drillfeed-faults-", dir=memory))
        self._clocks = {name: SleptClock(self.folder / f"{name}.slept") for name in sleepers}
        tcp, link, observe, crossing = free_ports(4)
        self.address = f"127.0.0.1:{tcp}"
        self.link = f"ipc://{self.folder}/link" if ipc else f"tcp://127.0.0.1:{link}"
        self._observe = f"tcp://127.0.0.1:{observe}"
        self._crossing = f"tcp://127.0.0.1:{crossing}" if proxied else self.link
        self.driver_log = self.folder / "driver.jsonl"
        self.pulse_log = self.folder / "pulse.jsonl"
        self.drills = self.folder / "drills"
        self.drills.mkdir()
        (self.drills / "bench.toml").write_text(DRILL.format(balls=BALLS.get(self.machine, USUAL_BALLS)))
        self.processes: dict[str, subprocess.Popen[bytes]] = {}
        self.proxy: Proxy | None = None
        if proxied:
            self.proxy = self._stack.enter_context(Proxy(self._crossing, self.link))

    def __enter__(self) -> Self:
        try:
            self.run("pulse", "tests.faults.pulse", str(self.pulse_log))
            self.start_daemon()
            self.start_driver()
        except BaseException:
            self._stack.close()
            raise
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._stack.close()

    # Processes.

    def run(self, name: str, *command: str) -> subprocess.Popen[bytes]:
        """Start `python -m COMMAND` as process `name`; its words go to NAME.out in the folder."""
        return self.spawn(name, sys.executable, "-m", *command)

    def spawn(self, name: str, *command: str) -> subprocess.Popen[bytes]:
        """Start a command as process `name`; its words go to NAME.out in the folder, or to a terminal of its own."""
        out = self._stack.enter_context((self.folder / f"{name}.out").open("ab"))
        places = {"XDG_STATE_HOME": str(self.folder), "XDG_RUNTIME_DIR": self._memory}
        clock = self._clocks[name].environment if name in self._clocks else {}
        environment = {**os.environ, **places, **clock, "PYTHONUNBUFFERED": "1"}
        if name in self._on_terminal:
            process, self._terminals[name] = terminal.spawn(command, environment)
            self._stack.callback(self._close_terminal, name)
        else:
            process = subprocess.Popen(
                command,
                stdout=out,
                stderr=out,
                stdin=subprocess.DEVNULL,
                env=environment,
                start_new_session=True,
            )
        self.processes[name] = process
        self._stack.callback(_end, process)
        return process

    def start_daemon(self) -> None:
        """Start the daemon, anew where it is gone."""
        where = ("--listen", self.address, "--link", self.link, "--observe", self._observe)
        limited = ("sh", "-c", f'ulimit -n {self._files}; exec "$@"', "sh") if self._files else ()
        daemon = (sys.executable, "-m", *self._modules["daemon"], "serve", "--machine", self.machine)
        self.spawn("daemon", *limited, *daemon, "--drills", str(self.drills), *where)

    def start_driver(self, seed: int = 1) -> None:
        """Start the driver on its board, anew where it is gone; a board that still runs is left alone."""
        place = Place(
            self._crossing, self.machine, self.driver_log, self.folder, self._modules["driver"], seed, self.faults
        )
        for name, command in self.board.start(place).items():
            running = self.processes.get(name)
            if running is None or running.poll() is not None:
                self.spawn(name, *command)

    def signal(self, name: str, number: signal.Signals) -> float:
        """Send a signal to a process of the bench; return the moment."""
        now_s = time.monotonic()
        self.processes[name].send_signal(number)
        return now_s

    def sleep(self, seconds: float, *names: str) -> float:
        """Let the computers of processes have slept; return the moment."""
        now_s = time.monotonic()
        for name in names or self._clocks:
            self._clocks[name].sleep(seconds)
        return now_s

    def hang_up(self, name: str) -> float:
        """Close the terminal under a process; return the moment."""
        now_s = time.monotonic()
        self._close_terminal(name)
        return now_s

    def _close_terminal(self, name: str) -> None:
        if name in self._terminals:
            os.close(self._terminals.pop(name))

    def freeze(self, name: str, seconds: float) -> float:
        """Stop a process in its tracks for a while and let it go on; return when that began."""
        began_s = self.signal(name, signal.SIGSTOP)
        time.sleep(seconds)
        self.signal(name, signal.SIGCONT)
        return began_s

    def words(self, name: str) -> str:
        """Return what a process has said."""
        return (self.folder / f"{name}.out").read_text(errors="replace")

    # Clients.

    def client(self) -> Client:
        """Return a client of the daemon, once that listens."""
        end_s = time.monotonic() + READY_S
        while True:
            try:
                client = Client.find(self.address)
            except NoDaemon:
                if time.monotonic() > end_s:
                    raise NotReady(self.words("daemon")) from None
                time.sleep(0.05)
            else:
                self._stack.callback(client.close)
                return client

    def ready(self) -> Client:
        """Go on until the daemon is idle, knows the driver's clock and is told no fault; return a client."""
        client = self.client()

        def idle() -> bool:
            now = client.snapshot()
            known = now.wheels_at_rest is True and (now.clock_error_ms or 99.0) < 10
            return now.state == "IDLE" and known and not now.faults

        self.wait(idle, READY_S, "idle")
        return client

    def armed(self, balls: int | None = None) -> Client:
        """Go on until the drill is loaded and the thrower armed."""
        client = self.ready()
        for reply in (client.load("bench", seed=1, balls=balls), client.arm()):
            if not reply.ok:
                raise NotReady(reply.text)
        return client

    def feeding(self, fed: int = 2, balls: int | None = None) -> Client:
        """Go on until so many balls have been pushed in the driver's log."""
        client = self.armed(balls)
        reply = client.start(client.snapshot().stop_count)
        if not reply.ok:
            raise NotReady(reply.text)
        self.until_fed(fed)
        return client

    def until_fed(self, fed: int, max_s: float = 30.0) -> None:
        """Go on until so many balls have been pushed."""
        self.wait(lambda: sum(event["event"] == "feed" for event in self.log()) >= fed, max_s, f"{fed} balls")

    def wait(self, done: Callable[[], bool], max_s: float, what: str) -> None:
        """Go on until `done`; raise NotReady where that takes too long."""
        end_s = time.monotonic() + max_s
        while not done():
            if time.monotonic() > end_s:
                raise NotReady(f"not {what} within {max_s:g} s\n{self.words('daemon')}")
            time.sleep(POLL_S)

    # What the driver says, and how the machine under it all did.

    def log(self) -> list[dict[str, Any]]:
        """Return the driver's log so far."""
        return read_log(self.driver_log)

    def first_logged(self, event: str, from_s: float, patience_s: float = 1.0) -> float | None:
        """Return when the driver first logged an event from a moment on; wait for it, since the daemon may be ahead."""
        end_s = time.monotonic() + patience_s
        while not (found := times(self.log(), event, from_s)) and time.monotonic() < end_s:
            time.sleep(POLL_S)
        return found[0] if found else None

    def machine_late_ms(self, from_s: float, until_s: float) -> float:
        """Return how late, at worst, a process that only sleeps was woken in a stretch of time, in ms."""
        late = [
            event["late_ms"]
            for event in read_log(self.pulse_log)
            if from_s <= event["t"] and event["t"] - event["late_ms"] / 1000 <= until_s
        ]
        return max(late, default=0.0)


def _end(process: subprocess.Popen[bytes]) -> None:
    if process.poll() is not None:
        return
    process.send_signal(signal.SIGCONT)
    process.terminate()
    with contextlib.suppress(subprocess.TimeoutExpired):
        process.wait(0.3)
        return
    process.terminate()
    try:
        process.wait(END_S)
    except subprocess.TimeoutExpired:
        process.kill()
        process.wait()
