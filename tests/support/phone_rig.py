"""A phone page's server in a process of its own, and what a browser would say to it."""

import asyncio
import contextlib
import socket
import subprocess
import sys
import time
from collections.abc import AsyncIterator, Iterator

from websockets.asyncio.client import ClientConnection, connect
from websockets.exceptions import InvalidStatus

from drillfeed.clients.phone.places import AN_ADDRESS, MAX_PAGES

WAIT_S = 20.0


def free_port() -> int:
    """Return a TCP port that is free just now."""
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


@contextlib.contextmanager
def phone(to: str, *more: str) -> Iterator[int]:
    """Serve the page for a daemon from a process of its own; gives its port."""
    port = free_port()
    command = [sys.executable, "-m", "drillfeed.daemon.cli", "phone", "--to", to, "--on", f"127.0.0.1:{port}", *more]
    process = subprocess.Popen(command, stdin=subprocess.DEVNULL, stdout=subprocess.PIPE, stderr=subprocess.DEVNULL)
    assert process.stdout is not None
    try:
        for line in process.stdout:
            if line.startswith(b"note"):
                break
        yield port
    finally:
        process.terminate()
        process.wait(WAIT_S)
        process.stdout.close()


def said(port: int, data: bytes, wait_s: float = WAIT_S) -> bytes:
    """Send bytes as they are and return all that comes back until the other end closes."""
    with socket.create_connection(("127.0.0.1", port), wait_s) as sock:
        sock.sendall(data)
        got = b""
        with contextlib.suppress(ConnectionResetError):
            while part := sock.recv(65_536):
                got += part
        return got


def get(port: int, path: str = "/", host: str | None = None, more: str = "") -> bytes:
    """Ask for a path as a browser would."""
    return said(port, f"GET {path} HTTP/1.1\r\nHost: {host or f'127.0.0.1:{port}'}\r\n{more}\r\n".encode())


def browser(port: int, origin: str | None = "own") -> connect:
    """Open the page's web socket as its own page would, or as a page from elsewhere."""
    origin = f"http://127.0.0.1:{port}" if origin == "own" else origin
    return connect(f"ws://127.0.0.1:{port}/lines", origin=origin, compression=None, ping_interval=None)  # type: ignore[arg-type]


def opened(port: int, path: str, source: str = "127.0.0.1") -> connect:
    """Open a web socket of the page's own origin from an address of this machine."""
    return connect(
        f"ws://127.0.0.1:{port}{path}",
        origin=f"http://127.0.0.1:{port}",  # type: ignore[arg-type]
        compression=None,
        ping_interval=None,
        local_addr=(source, 0),
    )


@contextlib.asynccontextmanager
async def full_house(port: int) -> AsyncIterator[list[ClientConnection]]:
    """Take every place of a page from as few addresses as it takes."""
    async with contextlib.AsyncExitStack() as stack:
        held: list[ClientConnection] = []
        for n in range(MAX_PAGES + AN_ADDRESS):
            with contextlib.suppress(InvalidStatus):
                source = f"127.0.0.{2 + n // AN_ADDRESS}"
                held.append(await stack.enter_async_context(opened(port, "/lines", source)))
        try:
            await opened(port, "/lines", "127.0.0.200")
        except InvalidStatus:
            yield held
        else:
            raise AssertionError("there was a place left")


async def knocks(port: int, word: str, source: str = "127.0.0.200") -> str:
    """Say one word at the small door and return what comes."""
    async with opened(port, "/door", source) as door:
        await door.send(word)
        return str(await asyncio.wait_for(door.recv(), WAIT_S))


async def ask(page: ClientConnection, line: str) -> list[str]:
    """Send one line and return the lines of its reply, the closing one last."""
    await page.send(line)
    lines: list[str] = []
    async with asyncio.timeout(WAIT_S):
        while not lines or not lines[-1].startswith(("done ", "no ")):
            lines += [line for line in str(await page.recv()).split("\n") if not line.startswith("!")]
    return lines


async def stop_takes_s(page: ClientConnection) -> float:
    """Send the stop byte and return how long its answer took."""
    sent_s = time.perf_counter()
    await page.send("\x18")
    async with asyncio.timeout(WAIT_S):
        while "! stop" not in str(await page.recv()):
            pass
    return time.perf_counter() - sent_s


@contextlib.contextmanager
def idle_sockets(port: int, count: int, first: bytes = b"") -> Iterator[list[socket.socket]]:
    """Hold so many bare connections open, each having sent `first` and nothing more."""
    with contextlib.ExitStack() as stack:
        held = []
        for _ in range(count):
            sock = stack.enter_context(socket.create_connection(("127.0.0.1", port), WAIT_S))
            if first:
                sock.sendall(first)
            held.append(sock)
        yield held
