"""The listening sockets, and how they accept connections.

Rule of this file: connections are accepted as fast as they come. If the process has no file left, one connection at the
door is closed to make room; the door is never shut for longer than an instant.
"""

import asyncio
import contextlib
import os
import socket
import stat
from collections.abc import Callable
from pathlib import Path

from drillfeed.protocol.texts.catalogue import text

BACKLOG = 4096  # the system cuts it to what it allows
ACCEPTS_A_TURN = 64
OUT_OF_FILES_S = 0.01


class AddressInUse(OSError):
    """Another daemon answers at this address, or something that is no socket lies there."""


class Door:
    """One listening socket in an event loop."""

    def __init__(
        self,
        loop: asyncio.AbstractEventLoop,
        sock: socket.socket,
        arrived: Callable[[socket.socket, object], None],
        free_one: Callable[[], bool],
    ) -> None:
        self._loop, self.sock, self._arrived, self._free_one = loop, sock, arrived, free_one
        sock.setblocking(False)
        sock.listen(BACKLOG)
        loop.add_reader(sock.fileno(), self._accept)

    def close(self) -> None:
        """Accept no more connections."""
        if self.sock.fileno() >= 0:
            self._loop.remove_reader(self.sock.fileno())
            self.sock.close()

    def _accept(self) -> None:
        for _ in range(ACCEPTS_A_TURN):
            try:
                taken, address = self.sock.accept()
            except (BlockingIOError, InterruptedError):
                return
            except ConnectionError:
                continue  # the client left before it was accepted
            except OSError:
                if self._free_one():
                    continue
                self._loop.remove_reader(self.sock.fileno())
                self._loop.call_later(OUT_OF_FILES_S, self._open_again)
                return
            taken.setblocking(False)
            self._arrived(taken, address)

    def _open_again(self) -> None:
        if self.sock.fileno() >= 0:
            self._loop.add_reader(self.sock.fileno(), self._accept)


async def tcp_sockets(loop: asyncio.AbstractEventLoop, host: str, port: int) -> list[socket.socket]:
    """Bind a TCP socket for each address that the host has; raises OSError."""
    found = await loop.getaddrinfo(host or None, port, type=socket.SOCK_STREAM, flags=socket.AI_PASSIVE)
    bound: list[socket.socket] = []
    with contextlib.ExitStack() as undo:
        for family, kind, protocol, _, address in dict.fromkeys(found):
            try:
                sock = socket.socket(family, kind, protocol)
            except OSError:
                continue  # a family that this system does not have
            undo.callback(sock.close)
            sock.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
            if family == socket.AF_INET6:
                sock.setsockopt(socket.IPPROTO_IPV6, socket.IPV6_V6ONLY, 1)
            try:
                sock.bind(address)
            except OSError as error:
                why = (error.strerror or str(error)).lower()
                raise OSError(error.errno, text("door.bind-error", address=address[:2], why=why)) from None
            bound.append(sock)
        undo.pop_all()
    if not bound:
        raise OSError(text("door.no-address", host=host))
    return bound


def unix_socket(path: Path) -> socket.socket:
    """Bind a Unix socket that only its owner may open, replacing a stale file; raises AddressInUse or OSError."""
    _remove_stale(path)
    sock = socket.socket(socket.AF_UNIX, socket.SOCK_STREAM)
    try:
        sock.bind(str(path))
        # Nobody can connect before listen(), so the mode is right from the first connection on.
        path.chmod(0o600)
    except BaseException:
        sock.close()
        raise
    return sock


def _remove_stale(path: Path) -> None:
    """Remove a socket file at which nobody answers; raises AddressInUse if something does."""
    try:
        mode = path.lstat().st_mode
    except FileNotFoundError:
        return
    if not stat.S_ISSOCK(mode):
        raise AddressInUse(text("door.no-socket", path=path))
    with socket.socket(socket.AF_UNIX, socket.SOCK_STREAM) as probe:
        probe.settimeout(1.0)
        try:
            probe.connect(os.fspath(path))
        except (ConnectionRefusedError, FileNotFoundError):
            path.unlink(missing_ok=True)
            return
        except OSError as error:
            raise AddressInUse(text("door.in-use", path=path, error=error)) from error
    raise AddressInUse(text("door.answers", path=path))
