"""A daemon and a driver (of a simulated thrower, as a rule) as real processes on free loopback ports.

Rule of this file: only processes that were started here are ended; each has an end that is waited for.
"""

import contextlib
import os
import socket
import subprocess
import sys
import time
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

from drillfeed.clients.find import NoDaemon
from drillfeed.clients.lines import Client

READY_S = 30.0
END_S = 20.0


def free_ports(count: int) -> list[int]:
    """Return so many TCP ports that are free just now."""
    with contextlib.ExitStack() as stack:
        held = [stack.enter_context(socket.socket()) for _ in range(count)]
        for listener in held:
            listener.bind(("127.0.0.1", 0))
        return [int(listener.getsockname()[1]) for listener in held]


@dataclass(frozen=True)
class Pair:
    """Both processes, where they can be reached, and the driver's log."""

    daemon: subprocess.Popen[bytes]
    driver: subprocess.Popen[bytes]
    tcp: str
    link: str
    log: Path
    errors: Path

    def client(self) -> Client:
        """Return a client, waiting for the daemon to come up; raises NoDaemon."""
        end_s = time.monotonic() + READY_S
        while True:
            try:
                return Client.find(self.tcp)
            except NoDaemon:
                if time.monotonic() > end_s or self.daemon.poll() is not None:
                    raise
                time.sleep(0.05)


@contextlib.contextmanager
def _process(command: list[str], environment: dict[str, str], errors: Path) -> Iterator[subprocess.Popen[bytes]]:
    # A session of its own: an interrupt at the terminal reaches only this process, which stops the others in order.
    with errors.open("ab") as file:
        process = subprocess.Popen(
            command, stdout=file, stderr=file, stdin=subprocess.DEVNULL, env=environment, start_new_session=True
        )
        try:
            yield process
        finally:
            _end(process)


def _end(process: subprocess.Popen[bytes]) -> None:
    process.terminate()
    try:
        process.wait(END_S)
    except subprocess.TimeoutExpired:
        process.kill()
        process.wait()


@contextlib.contextmanager
def running_pair(
    machine: str, seed: int, folder: Path, board: Sequence[str] = ("simulated",), socket_file: Path | None = None
) -> Iterator[Pair]:
    """Run a daemon and a driver on a board, by default a simulated thrower; logs and state lie in `folder`.

    With `socket_file` the daemon takes commands over that Unix socket as well.
    """
    tcp, link, observe = free_ports(3)
    log, errors = folder / "driver.jsonl", folder / "processes.log"
    command = [sys.executable, "-m", "drillfeed.daemon.cli"]
    endpoint, address = f"tcp://127.0.0.1:{link}", f"127.0.0.1:{tcp}"
    serve = ["serve", "--machine", machine, "--listen", address, "--link", endpoint]
    serve += ["--observe", f"tcp://127.0.0.1:{observe}", *(("--socket", str(socket_file)) if socket_file else ())]
    drive = ["drive", *board, "--link", endpoint, "--machine", machine, "--seed", str(seed), "--log", str(log)]
    environment = {**os.environ, "XDG_STATE_HOME": str(folder)}
    with (
        _process([*command, *serve], environment, errors) as daemon,
        _process([*command, *drive], environment, errors) as driver,
    ):
        try:
            yield Pair(daemon, driver, address, endpoint, log, errors)
        finally:
            # The daemon first: with the driver gone it would wait as long as wheels may coast.
            _end(daemon)
