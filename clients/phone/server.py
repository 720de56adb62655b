"""The phone page's own small server: a few files over HTTP, and web sockets that carry the daemon's lines.

Rule of this file: it decides nothing about the machine. A GET changes nothing. A request for another host, or a web
socket opened by a page from elsewhere, is refused before anything is read from it.
"""

import asyncio
import html
import ipaddress
import json
import mimetypes
import re
import resource
from collections.abc import Mapping
from dataclasses import dataclass
from importlib import resources

import structlog
from websockets.asyncio.server import Server, ServerConnection, serve
from websockets.datastructures import Headers
from websockets.http11 import Request, Response

from drillfeed.clients.phone.bridge import CLOSE_POLICY, MAX_MESSAGE_BYTES, carry
from drillfeed.clients.phone.door import WORDS, SmallDoor
from drillfeed.clients.phone.places import MAX_DOOR, MAX_FRESH, MAX_WAITING, Newest, PagePlaces
from drillfeed.protocol.texts.catalogue import ids, template

LINES, PAIRED, DOOR = SOCKET_PATHS = "/lines", "/paired", "/door"
HANDSHAKE_S = 5.0
PING_S, PONG_S = 5.0, 10.0
KNOCK_S = 3.0
BACKLOG = 1024
TEXTS_PATH = "/texts.js"
COMMAND = "drillfeed phone"
FILES = {"/": "page.html", "/page.css": "page.css", "/page.js": "page.js", "/sound.js": "sound.js"}
REASONS = {200: "OK", 403: "Forbidden", 404: "Not Found", 405: "Method Not Allowed", 421: "Misdirected Request"}
REASONS |= {503: "Service Unavailable"}


@dataclass(frozen=True)
class Asset:
    """One file of the page."""

    kind: str
    content: bytes


def assets() -> dict[str, Asset]:
    """Return the page's files by the path under which they are requested, the page in the language of this process."""
    folder = resources.files("drillfeed.clients.phone")
    found = {path: Asset(_kind(name), folder.joinpath(name).read_bytes()) for path, name in FILES.items()}
    words = page_texts()
    page = in_words(found["/"].content.decode("utf-8"), words)
    script = f"const TEXTS = {json.dumps(words, ensure_ascii=False)};\n"
    return {
        **found,
        "/": Asset(found["/"].kind, page.encode()),
        TEXTS_PATH: Asset(_kind(TEXTS_PATH), script.encode()),
    }


def page_texts() -> dict[str, str]:
    """Return the templates that the page needs, by their ids."""
    return {name: template(name) for name in ids() if name.startswith("page.") or name == "list.not-here"}


def in_words(page: str, words: Mapping[str, str]) -> str:
    """Return the page with each `{{ID}}` in it replaced by its text; raise KeyError if there is none."""
    written = {name: html.escape(word).replace("{command}", f"<kbd>{COMMAND}</kbd>") for name, word in words.items()}
    return re.sub(r"\{\{([a-z.-]+)\}\}", lambda found: written[found.group(1)].strip(), page)


def allowed_hosts(address: str, port: int, names: tuple[str, ...]) -> frozenset[str]:
    """Return the hosts under which the page may be requested at a local address: that address, and given names."""
    host = ipaddress.ip_address(address.split("%")[0])
    if isinstance(host, ipaddress.IPv6Address) and host.ipv4_mapped is not None:
        host = host.ipv4_mapped
    written = [f"[{host}]" if host.version == 6 else str(host), *names, *(["localhost"] if host.is_loopback else [])]
    return frozenset(f"{name}:{port}" for name in written)


@dataclass
class PhoneServer:
    """The server, the places of its sockets, and the address of the daemon."""

    to: str | None
    environ: Mapping[str, str]
    names: tuple[str, ...] = ()

    def __post_init__(self) -> None:
        self._places = PagePlaces()
        self._waiting, self._knocking = Newest(MAX_WAITING), Newest(MAX_DOOR)
        self._fresh = Newest(min(MAX_FRESH, resource.getrlimit(resource.RLIMIT_NOFILE)[0] // 8))
        self._door: SmallDoor | None = None
        self._standing: asyncio.Task[None] | None = None
        self._assets = assets()
        self._log = structlog.get_logger("phone")

    async def listen(self, host: str, port: int) -> tuple[Server, str, int]:
        """Listen, and return the server with the address taken; raises OSError."""
        fresh = self._fresh

        class Connection(ServerConnection):
            """A connection that is cut to make room for newer ones until its request is granted."""

            def connection_made(self, transport: asyncio.BaseTransport) -> None:
                super().connection_made(transport)
                fresh.enter(self, lambda: _soon(self))

            def connection_lost(self, exc: Exception | None) -> None:
                fresh.leave(self)
                super().connection_lost(exc)

        server = await serve(
            self._talk,
            host,
            port,
            process_request=self._answer,
            compression=None,
            server_header=None,
            open_timeout=HANDSHAKE_S,
            ping_interval=PING_S,
            ping_timeout=PONG_S,
            max_size=MAX_MESSAGE_BYTES,
            create_connection=Connection,
            backlog=BACKLOG,
        )
        address = next(iter(server.sockets)).getsockname()
        self._door = SmallDoor(str(address[0]), self.to, self.environ)
        self._standing = asyncio.ensure_future(self._door.stand())
        return server, str(address[0]), int(address[1])

    async def _talk(self, connection: ServerConnection) -> None:
        path = connection.request.path if connection.request is not None else LINES
        address = str(connection.remote_address[0]).split("%")[0]
        if path == DOOR:
            await self._knocked(connection)
        elif path == PAIRED:
            await self._talk_paired(connection, address)
        else:
            self._places.enter(address)
            try:
                await carry(connection, address, self.to, self.environ)
            finally:
                self._places.leave(address)

    async def _talk_paired(self, connection: ServerConnection, address: str) -> None:
        """Give a kept place to a page that pairs at once."""
        kept = False

        def pairs() -> bool:
            nonlocal kept
            self._waiting.leave(connection)
            kept = self._places.pair()
            return kept

        self._waiting.enter(connection, lambda: _soon(connection))
        try:
            await carry(connection, address, self.to, self.environ, pairs)
        finally:
            self._waiting.leave(connection)
            if kept:
                self._places.unpair()

    async def _knocked(self, connection: ServerConnection) -> None:
        """Take one word at the small door, answer it, and close."""
        self._knocking.enter(connection, lambda: _soon(connection))
        try:
            word = await asyncio.wait_for(connection.recv(), KNOCK_S)
            self._knocking.leave(connection)
            if self._door is None or not isinstance(word, str) or word not in WORDS:
                return await connection.close(CLOSE_POLICY, "this door takes stop and pause")
            await connection.send(await self._door.say(word))
        except TimeoutError:
            return None  # it is closed when this returns
        finally:
            self._knocking.leave(connection)

    def _answer(self, connection: ServerConnection, request: Request) -> Response | None:
        """Answer a request, or return None if the web socket may be opened."""
        local = connection.local_address
        hosts = allowed_hosts(str(local[0]), int(local[1]), self.names)
        asked = request.headers.get_all("Host")
        if len(asked) != 1 or asked[0].lower() not in hosts:
            return _response(421, f"this page is at {', '.join(f'http://{host}/' for host in sorted(hosts))}")
        if getattr(request, "method", "GET") != "GET":
            return _response(405, "this server answers GET, and a GET changes nothing")
        if request.path in SOCKET_PATHS:
            return self._refuse_socket(connection, request, hosts)
        asset = self._assets.get(request.path)
        if asset is None:
            return _response(404, "there is only the page: /")
        return _response(200, asset.content, asset.kind, asked[0])

    def _refuse_socket(self, connection: ServerConnection, request: Request, hosts: frozenset[str]) -> Response | None:
        origins = request.headers.get_all("Origin")
        if len(origins) != 1 or origins[0].lower() not in {f"http://{host}" for host in hosts}:
            self._log.warning(
                "a page from elsewhere was refused", origin=origins[:1], address=connection.remote_address
            )
            return _response(403, "only this server's own page may open this socket")
        if request.path == LINES and not self._places.has_room(str(connection.remote_address[0]).split("%")[0]):
            return _response(503, "too many pages are open; close one. Stop and pause have a door of their own")
        self._fresh.leave(connection)
        return None


def _soon(connection: ServerConnection) -> None:
    """Cut a connection after reading what it sent, which takes until the second turn of the loop."""
    loop = asyncio.get_running_loop()
    loop.call_soon(loop.call_soon, connection.transport.abort)


def _kind(name: str) -> str:
    return f"{mimetypes.types_map['.' + name.rpartition('.')[2]]}; charset=utf-8"


def _response(status: int, body: bytes | str, kind: str = "text/plain; charset=utf-8", host: str = "") -> Response:
    content = body if isinstance(body, bytes) else f"{body}\n".encode()
    sources = f"connect-src 'self' ws://{host}; " if host else ""
    headers = Headers(
        {
            "Content-Type": kind,
            "Content-Length": str(len(content)),
            "Content-Security-Policy": "default-src 'none'; script-src 'self'; style-src 'self'; "
            f"{sources}base-uri 'none'; form-action 'none'; frame-ancestors 'none'",
            "X-Content-Type-Options": "nosniff",
            "Referrer-Policy": "no-referrer",
            "Cross-Origin-Resource-Policy": "same-origin",
            "Cache-Control": "no-cache",
            "Connection": "close",
        }
    )
    return Response(status, REASONS[status], headers, content)


async def until(ending: asyncio.Event, server: Server) -> None:
    """Serve until told to end, then close every socket."""
    await ending.wait()
    server.close()
    await server.wait_closed()
