"""One browser and its own connection to the daemon: lines pass both ways, unread.

Rule of this file: the connection first says for whom it speaks (`relay`) and carries nothing before the daemon has
agreed, so a page never has more rights than its pairing gives. Nothing is queued here; the daemon tells a slow reader
what it missed. If a page asks for a kept place, its first line and the answer are read, because that line must pair it.
"""

import asyncio
import contextlib
import re
from collections.abc import Callable, Mapping
from typing import Protocol

from drillfeed.clients.find import NoDaemon, connect, places
from drillfeed.clients.lines import CONNECT_S
from drillfeed.protocol.commands import Command, line_of
from drillfeed.protocol.lines import MAX_LINE_BYTES, MAX_REPLY_LINE_BYTES, STOP_BYTE

MAX_MESSAGE_BYTES = MAX_LINE_BYTES
READ_BYTES = 65_536
AGREE_S = 5.0
PAIR_S = 3.0
PAIRS = re.compile(r"pair [!-~]{1,200}")
STOP = chr(STOP_BYTE)
# RFC 6455, 7.4.1, and the private range 4000-4999.
CLOSE_UNSUPPORTED, CLOSE_POLICY, CLOSE_NO_DAEMON, CLOSE_NOT_PAIRED = 1003, 1008, 4001, 4003


Pairs = Callable[[], bool]
"""Gives a place to a page that has paired; tells whether a place was free."""


class Messages(Protocol):
    """The parts of a web socket that are used here."""

    async def recv(self) -> str | bytes:
        """Return the next message; raises when the socket is closed."""

    async def send(self, message: str) -> None:
        """Send a message; wait while the browser does not read."""

    async def close(self, code: int = 1000, reason: str = "") -> None:
        """Close the socket."""


async def carry(
    browser: Messages, address: str, to: str | None, environ: Mapping[str, str], pairs: Pairs | None = None
) -> None:
    """Carry lines between a browser at `address` and the daemon until either of them closes.

    With `pairs`, the page's first line must pair it; after that, `pairs` is called to get its place.
    """
    first = await _first_line(browser) if pairs is not None else None
    if pairs is not None and first is None:
        return await browser.close(CLOSE_NOT_PAIRED, "this place is kept for pages that pair at once")
    try:
        reader, writer = await agreed(address, to, environ)
    except (NoDaemon, OSError, TimeoutError) as error:
        return await browser.close(CLOSE_NO_DAEMON, str(error)[:120])
    try:
        if first is not None and pairs is not None and not (await _paired(first, reader, writer, browser) and pairs()):
            await browser.close(CLOSE_NOT_PAIRED, "not paired, or all places kept for paired pages are taken")
        else:
            await _both_ways(browser, reader, writer)
    finally:
        writer.close()
        with contextlib.suppress(OSError):
            await writer.wait_closed()


async def _both_ways(browser: Messages, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
    up, down = asyncio.ensure_future(_up(browser, writer)), asyncio.ensure_future(_down(reader, browser))
    try:
        await asyncio.wait((up, down), return_when=asyncio.FIRST_COMPLETED)
        reason = "the daemon has closed the connection" if down.done() and not up.done() else ""
        await browser.close(CLOSE_NO_DAEMON if reason else 1000, reason)
    finally:
        for task in (up, down):
            task.cancel()
        await asyncio.gather(up, down, return_exceptions=True)


async def _first_line(browser: Messages) -> str | None:
    """Return the first line of a page if it pairs; a page has a few seconds to send it."""
    try:
        message = await asyncio.wait_for(browser.recv(), PAIR_S)
    except TimeoutError:
        return None
    pairs = isinstance(message, str) and PAIRS.fullmatch(message)
    return message if pairs and isinstance(message, str) else None


async def _paired(first: str, reader: asyncio.StreamReader, writer: asyncio.StreamWriter, browser: Messages) -> bool:
    """Pass on the line that pairs, and pass back its answer; tell whether the daemon has agreed."""
    writer.write(first.encode() + b"\n")
    while line := (await reader.readline()).decode("utf-8", "replace").rstrip("\n"):
        await browser.send(line)
        if line.startswith(("done ", "no ")):
            return line.startswith("done pair")
    return False


async def agreed(
    address: str, to: str | None, environ: Mapping[str, str]
) -> tuple[asyncio.StreamReader, asyncio.StreamWriter]:
    """Connect to the daemon and speak for `address` there; raises NoDaemon, OSError or TimeoutError."""
    sock, place = await asyncio.to_thread(connect, places(to, environ), CONNECT_S)
    sock.setblocking(False)
    open_stream = asyncio.open_connection if place.path is None else asyncio.open_unix_connection
    reader, writer = await open_stream(sock=sock, limit=MAX_REPLY_LINE_BYTES)
    writer.write(line_of(Command("relay", {"address": address})).encode() + b"\n")
    try:
        answer = await asyncio.wait_for(reader.readline(), AGREE_S)
    except (TimeoutError, OSError):
        writer.close()
        raise
    if not answer.startswith(b"done relay"):
        writer.close()
        raise NoDaemon(
            f"the daemon lets nobody speak for others from here: {answer.decode('utf-8', 'replace').strip()}"
        )
    return reader, writer


async def _up(browser: Messages, writer: asyncio.StreamWriter) -> None:
    while True:
        message = await browser.recv()
        if message == STOP:
            writer.write(bytes([STOP_BYTE]))
        elif isinstance(message, bytes):
            return await browser.close(CLOSE_UNSUPPORTED, "lines are text")
        elif "\n" in message or STOP in message:
            return await browser.close(CLOSE_POLICY, "one line a message")
        else:
            writer.write(message.encode() + b"\n")
        await writer.drain()


async def _down(reader: asyncio.StreamReader, browser: Messages) -> None:
    kept = b""
    while data := await reader.read(READ_BYTES):
        whole, newline, kept = (kept + data).rpartition(b"\n")
        if newline:
            await browser.send(whole.decode("utf-8", "replace"))
