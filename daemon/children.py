"""Processes of drillfeed's own that one command starts and ends: a daemon, a driver, the phone page.

Rule of this file: only processes that were started here are ended, by their id, and their end is waited for. A child
has a session of its own, so that an interrupt at the terminal reaches only the command that started it. If that command
is killed, the kernel asks the child to end in order (Linux; elsewhere the child goes on).
"""

import contextlib
import ctypes
import signal
import socket
import subprocess
import sys
from collections.abc import Iterator, Mapping, Sequence
from pathlib import Path

END_S = 20.0
PR_SET_PDEATHSIG = 1
"""prctl(2): the signal that a process gets when its parent has ended."""


def free_ports(count: int) -> list[int]:
    """Return so many TCP ports that are free just now."""
    with contextlib.ExitStack() as stack:
        held = [stack.enter_context(socket.socket()) for _ in range(count)]
        for bound in held:
            bound.bind(("127.0.0.1", 0))
        return [int(bound.getsockname()[1]) for bound in held]


@contextlib.contextmanager
def child(
    words: Sequence[str], environment: Mapping[str, str], output: Path, outlives: bool = False
) -> Iterator[subprocess.Popen[bytes]]:
    """Run `drillfeed` with these words beside this process, its output appended to a file; end it in order on leaving.

    A child that `outlives` its parent goes on where the parent is killed.
    """
    command = [sys.executable, "-m", "drillfeed.daemon.cli", *words]
    with output.open("ab") as file:
        process = subprocess.Popen(
            command,
            stdout=file,
            stderr=file,
            stdin=subprocess.DEVNULL,
            env=dict(environment),
            start_new_session=True,
            preexec_fn=None if outlives or sys.platform != "linux" else _end_with_parent,
        )
        try:
            yield process
        finally:
            end(process)


def _end_with_parent() -> None:
    ctypes.CDLL(None).prctl(PR_SET_PDEATHSIG, signal.SIGTERM)


def end(process: subprocess.Popen[bytes]) -> None:
    """Ask a process to end and wait for it; kill it if that takes longer than a stop may take."""
    process.terminate()
    try:
        process.wait(END_S)
    except subprocess.TimeoutExpired:
        process.kill()
        process.wait()
