"""Where clients look for the daemon; no other file decides this.

They look in this order. If 1 or 2 is given, it is the only place that they try:

1. the argument (`--to HOST:PORT` or `--to PATH`);
2. the environment variable `DRILLFEED`, written the same way;
3. the Unix sockets `$XDG_RUNTIME_DIR/drillfeed.sock` and `/run/drillfeed/drillfeed.sock`;
4. TCP on this machine, `127.0.0.1:7340`.
"""

import socket
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

DEFAULT_HOST = "127.0.0.1"
DEFAULT_PORT = 7340
VARIABLE = "DRILLFEED"
SYSTEM_SOCKET = Path("/run/drillfeed/drillfeed.sock")


class NoDaemon(Exception):
    """No daemon answers at the places that were tried."""


@dataclass(frozen=True)
class Address:
    """A Unix socket (`path` is set) or a TCP address."""

    host: str = DEFAULT_HOST
    port: int = DEFAULT_PORT
    path: Path | None = None

    def __str__(self) -> str:
        if self.path is not None:
            return str(self.path) if "/" in str(self.path) else f"./{self.path}"
        return f"[{self.host}]:{self.port}" if ":" in self.host else f"{self.host}:{self.port}"


def read_address(text: str) -> Address:
    """Read HOST:PORT, [IPV6]:PORT or the PATH of a Unix socket; raises ValueError."""
    host, colon, port = text.rpartition(":")
    if "/" in text or not colon:
        if not text or ("/" not in text and not text.endswith(".sock")):
            raise ValueError(f"'{text}' is no address; expected HOST:PORT, or a path with a / in it")
        return Address(path=Path(text))
    if not (port.isascii() and port.isdigit() and 1 <= int(port) <= 65_535):
        raise ValueError(f"'{text}' is no address; the port is a number from 1 to 65535; found '{port}'")
    return Address(host.removeprefix("[").removesuffix("]") or DEFAULT_HOST, int(port))


def default_socket(environ: Mapping[str, str]) -> Path:
    """Return the path of this user's Unix socket, or the system's if the user has no runtime directory."""
    runtime = environ.get("XDG_RUNTIME_DIR")
    return Path(runtime) / "drillfeed.sock" if runtime else SYSTEM_SOCKET


def places(to: str | None, environ: Mapping[str, str]) -> tuple[Address, ...]:
    """Return the addresses to try, in order; raises ValueError if the named place is no address."""
    named = to or environ.get(VARIABLE)
    if named:
        return (read_address(named),)
    sockets = dict.fromkeys((default_socket(environ), SYSTEM_SOCKET))
    return (*(Address(path=path) for path in sockets), Address())


def connect(addresses: tuple[Address, ...], timeout_s: float) -> tuple[socket.socket, Address]:
    """Connect to the first address that answers; raises NoDaemon, which names all addresses that were tried."""
    tried: list[str] = []
    for address in addresses:
        try:
            return _open(address, timeout_s), address
        except OSError as error:
            tried.append(f"{address} ({error.strerror or error})")
    raise NoDaemon(f"no daemon answers; tried {', '.join(tried)}. Next: drillfeed serve, or name it with --to")


def _open(address: Address, timeout_s: float) -> socket.socket:
    if address.path is None:
        sock = socket.create_connection((address.host, address.port), timeout_s)
        sock.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        return sock
    sock = socket.socket(socket.AF_UNIX, socket.SOCK_STREAM)
    try:
        sock.settimeout(timeout_s)
        sock.connect(str(address.path))
    except OSError:
        sock.close()
        raise
    return sock
