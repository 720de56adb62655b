"""A daemon and a driver (of a simulated thrower, as a rule) as real processes on free loopback ports.

Rule of this file: only processes that were started here are ended; `children.py` starts and ends them.
"""

import contextlib
import os
import subprocess
import time
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

from drillfeed.clients.find import NoDaemon
from drillfeed.clients.lines import Client
from drillfeed.daemon.children import child, end, free_ports

READY_S = 30.0


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
def running_pair(
    machine: str, seed: int, folder: Path, board: Sequence[str] = ("simulated",), socket_file: Path | None = None
) -> Iterator[Pair]:
    """Run a daemon and a driver on a board, by default a simulated thrower; logs and state lie in `folder`.

    With `socket_file` the daemon takes commands over that Unix socket as well.
    """
    tcp, link, observe = free_ports(3)
    log, errors = folder / "driver.jsonl", folder / "processes.log"
    endpoint, address = f"tcp://127.0.0.1:{link}", f"127.0.0.1:{tcp}"
    serve = ["serve", "--machine", machine, "--listen", address, "--link", endpoint]
    serve += ["--observe", f"tcp://127.0.0.1:{observe}", *(("--socket", str(socket_file)) if socket_file else ())]
    drive = ["drive", *board, "--link", endpoint, "--machine", machine, "--seed", str(seed), "--log", str(log)]
    environment = {**os.environ, "XDG_STATE_HOME": str(folder)}
    with (
        child(serve, environment, errors) as daemon,
        child(drive, environment, errors) as driver,
    ):
        try:
            yield Pair(daemon, driver, address, endpoint, log, errors)
        finally:
            # The daemon first: with the driver gone it would wait as long as wheels may coast.
            end(daemon)
