"""Who else comes to the daemon's doors: web pages, strangers by the thousand, pages that say nothing."""

import asyncio
import contextlib
import socket
import time

from tests.faults.bench import Bench
from tests.faults.processes import first
from tests.faults.stop_flood import STOP_P99_MS, flood
from tests.faults.verdict import Account, Scenario, Seen
from tests.support.driver_log import times
from tests.support.phone_rig import full_house, knocks, phone

ORDERS = b"cautions accept\nballs 7\narm\n" + b"".join(b"start %d\n" % n for n in range(12)) + b"stop\n"
HEADERS = b" HTTP/1.1\r\nHost: 127.0.0.1\r\nOrigin: http://attacker.example\r\nContent-Type: text/plain\r\n\r\n"
PAGES = (
    b"POST /" + HEADERS,
    b"POST /" + b"a" * 3000 + HEADERS,
    b"arm /" + HEADERS,
    b"GET / HTTP/1.1\r\nUpgrade: websocket\r\n\r\n",
    b"\x16\x03\x01\x02\x00\x01\x00\x01\xfc\x03\x03\x18\n",
    b"\x00\x03\x00\x24!\x12\xa4B0123456789ab\x00\x06\x00\x40\n",
)
STRANGERS_FILES, STRANGERS_STOPS = 256, 40


def said(address: str, data: bytes) -> bytes:
    """Send bytes and return what comes until the other end closes or falls silent."""
    host, _, port = address.rpartition(":")
    got = b""
    with contextlib.suppress(OSError), socket.create_connection((host, int(port)), 2.0) as wire:
        wire.sendall(data)
        while part := wire.recv(65_536):
            got += part
    return got


def web_page() -> Seen:
    """Send what web pages make a browser send, while armed; then a typo and a stop."""
    with Bench() as bench:
        client = bench.armed()
        client.balls(100)
        before, at_s = client.snapshot(), time.monotonic()
        answers = [said(bench.address, page + ORDERS) for page in PAGES]
        now = client.snapshot()
        account = Account(bench)
        account.true("nothing obeyed", not any(b"done" in answer for answer in answers))
        same = (now.state, now.stop_count, now.hopper) == (before.state, before.stop_count, before.hopper)
        account.true("state, stop count and hopper as before", same, f"{now.state}, {now.stop_count}, {now.hopper}")
        account.none("feeds", times(bench.log(), "feed", at_s), at_s)
        account.none("stops", times(bench.log(), "stop", at_s), at_s)
        sent_s = time.monotonic()
        answer = said(bench.address, b"stpo\nget\nstop\nquit\n")
        account.true("typos refused, the stop after them taken", answer.count(b"no 12") == 2 and b"done stop" in answer)
        account.within("stop read", sent_s, first(times(bench.log(), "stop", sent_s)), STOP_P99_MS)
        return account.seen()


def strangers() -> Seen:
    """Stop from new clients while one process opens 2,500 connections a second from ever new addresses."""
    _, seen = flood(STRANGERS_FILES, STRANGERS_STOPS, 1, 2500.0)
    return seen


def silent_pages() -> Seen:
    """Fill every place of the phone page, then open another page and stop."""

    async def story(port: int) -> tuple[float, str]:
        async with full_house(port):
            sent_s = time.monotonic()
            return sent_s, await knocks(port, "\x18")

    with Bench() as bench:
        bench.feeding()
        with phone(bench.address) as port:
            sent_s, answer = asyncio.run(story(port))
            time.sleep(1.0)
        account = Account(bench)
        account.true("answered", answer.startswith("done stop"), answer)
        read_s = first(times(bench.log(), "stop", sent_s))
        account.within("stop read", sent_s, read_s, STOP_P99_MS)
        account.none("feeds after it", times(bench.log(), "feed", read_s or sent_s), sent_s)
        return account.seen()


SCENARIOS = (
    Scenario(
        "web-page",
        "what a browser sends for a web page: POST, long and odd requests, a web socket, TLS, a call",
        "nothing obeyed; a stop after two typos still is",
        web_page,
    ),
    Scenario(
        "strangers",
        f"2,500 connections a second from new addresses; {STRANGERS_FILES} open files",
        f"{STRANGERS_STOPS} new clients' stops all answered, p99 under 250 ms; one of them while feeding",
        strangers,
    ),
    Scenario(
        "silent-pages",
        "every place of the phone page taken by silent sockets",
        "a page opened then stops: read within 250 ms; no feed after it",
        silent_pages,
    ),
)
