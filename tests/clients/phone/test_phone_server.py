"""The page's server on loopback: what it gives, whom it refuses, and that a stop gets through whatever comes."""

import asyncio
import re
import subprocess
import sys
import threading
from importlib import resources

import pytest
from websockets.exceptions import ConnectionClosed, InvalidStatus

from drillfeed.clients.phone.places import AN_ADDRESS
from drillfeed.clients.phone.server import allowed_hosts, assets
from drillfeed.protocol.commands import COMMANDS, parse
from drillfeed.protocol.status import CUES, Snapshot
from tests.shell.fake_desk import FakeDesk, serving
from tests.support.phone_rig import WAIT_S, ask, browser, get, idle_sockets, phone, said, stop_takes_s

MAX_PAGE_BYTES = 100_000


def script() -> str:
    """Return the page's scripts."""
    folder = resources.files("drillfeed.clients.phone")
    return "".join(folder.joinpath(name).read_text("utf-8") for name in ("sound.js", "page.js"))


def test_the_page_is_small_whole_and_strict() -> None:
    """A few files, under 100 kB together, nothing from elsewhere, and a policy that would let nothing else in."""
    desk = FakeDesk()
    with serving(desk) as to, phone(to) as port:
        got = {path: get(port, path) for path in assets()}
    assert sum(map(len, got.values())) < MAX_PAGE_BYTES
    for path, answer in got.items():
        head, _, body = answer.partition(b"\r\n\r\n")
        assert head.startswith(b"HTTP/1.1 200 OK")
        assert body == assets()[path].content
        policy = re.search(rb"Content-Security-Policy: (.*)\r\n", head)
        assert policy is not None and policy.group(1).startswith(b"default-src 'none'; script-src 'self'")
        assert b"unsafe" not in policy.group(1)
        assert not re.search(rb"(src|href|url)\s*[=(]\s*[\"']?(https?:)?//", body)
    assert desk.order == []


def test_the_page_knows_no_verb_field_or_cue_that_the_tables_do_not() -> None:
    """Lines the script sends parse, fields it reads are fields of the status, and each cue has a tone of its own."""
    text = script()
    page = resources.files("drillfeed.clients.phone").joinpath("page.html").read_text("utf-8")
    verbs = set(re.findall(r'ask\("(\w+)', text)) | set(re.findall(r"ask\(`(\w+) ", text))
    verbs |= set(re.findall(r'line: "(\w+)"', text)) | set(re.findall(r"line: `(\w+) ", text))
    verbs |= set(re.findall(r'data-verb="(\w+)"', page)) | {"load", "queue"}
    assert {"start", "resume", "ready", "pause", "pair", "mark", "easier", "offer", "confirm"} <= verbs <= set(COMMANDS)
    assert parse("status json") and parse("watch json") and parse("list drills") and parse("mark made 3")
    assert set(re.findall(r"\b(?:status|s)\.([a-z_]+)\b", text)) <= set(Snapshot.model_fields)
    tones = re.search(r"const TONES = \{(.*?)\};", text, re.DOTALL)
    assert tones is not None
    rows = dict(re.findall(r"\"?([\w-]+)\"?: (\[[^\]]*\])", tones.group(1)))
    assert set(rows) == set(CUES) and len(set(rows.values())) == len(CUES)


@pytest.mark.parametrize(
    ("request_line", "host", "status"),
    [
        ("GET / HTTP/1.1", "attacker.example", 421),
        ("GET / HTTP/1.1", "127.0.0.1:1", 421),
        ("GET /lines HTTP/1.1", "attacker.example", 421),
        ("GET /../server.py HTTP/1.1", "own", 404),
        ("GET /page.js?x HTTP/1.1", "own", 404),
        ("GET /stop HTTP/1.1", "own", 404),
        ("GET /lines?stop HTTP/1.1", "own", 404),
        ("POST / HTTP/1.1", "own", 405),
        ("PUT /lines HTTP/1.1", "own", 405),
    ],
)
def test_other_hosts_paths_and_methods_are_refused_and_change_nothing(
    request_line: str, host: str, status: int
) -> None:
    """Only GET of the page's own files under the page's own address is answered; no GET is a command."""
    desk = FakeDesk()
    with serving(desk) as to, phone(to) as port:
        own = f"127.0.0.1:{port}" if host == "own" else host
        answer = said(port, f"{request_line}\r\nHost: {own}\r\n\r\n".encode())
        two = said(port, f"GET / HTTP/1.1\r\nHost: 127.0.0.1:{port}\r\nHost: x\r\n\r\n".encode())
    assert answer.startswith(f"HTTP/1.1 {status} ".encode()) and two.startswith(b"HTTP/1.1 421")
    assert desk.order == []


@pytest.mark.parametrize("origin", ["http://attacker.example", "null", None, "https://127.0.0.1"])
def test_a_page_from_elsewhere_opens_no_socket(origin: str | None) -> None:
    """Without this server's own origin there is no web socket, and the daemon hears nothing of it."""
    desk = FakeDesk()

    async def opens(port: int) -> int:
        try:
            async with browser(port, origin):
                return 101
        except InvalidStatus as refused:
            return refused.response.status_code

    with serving(desk) as to, phone(to) as port:
        assert asyncio.run(opens(port)) == 403
    assert desk.order == []


def test_a_page_is_anyone_until_it_pairs_and_is_known_by_its_own_address() -> None:
    """A page on this very machine sees, pauses and stops; with a code it is the player, and from afar all the same."""
    desk = FakeDesk(state="ARMED")

    async def talk(port: int, code: str) -> None:
        async with browser(port) as page:
            assert (await ask(page, "start 3"))[-1].startswith("no 14 not-allowed")
            assert (await ask(page, "relay 192.0.2.1"))[-1].startswith("no 14 not-allowed")
            assert (await ask(page, "invite player"))[-1].startswith("no 14 not-allowed")
            assert (await ask(page, "pause"))[-1].startswith("done pause")
            assert (await ask(page, "status json"))[0].startswith('| {"state":"ARMED"')
            paired = await ask(page, f"pair {code}")
            assert paired[0] == "| role player" and paired[1].startswith("| key ")
            assert (await ask(page, "start 3"))[-1].startswith("done start")
            assert (await ask(page, "invite player"))[-1].startswith("no 14 not-allowed")
            await stop_takes_s(page)
        async with browser(port) as again:
            assert (await ask(again, "start 3"))[-1].startswith("no 14 not-allowed")
            assert (await ask(again, paired[1].removeprefix("| key ").join(("pair ", ""))))[0] == "| role player"

    with serving(desk) as to, phone(to) as port:
        asyncio.run(talk(port, code_from(to)))
    assert desk.order == ["pause", "start", "stop"]
    assert desk.stops[0].role == "player" and desk.stops[0].where == "127.0.0.1, passed on"


def code_from(to: str) -> str:
    """Have a code shown, as the machine's own terminal would."""
    from drillfeed.clients.lines import Client

    with Client.find(to) as client:
        return client.invite("player").data[0].removeprefix("code ")


@pytest.mark.parametrize("message", ["x" * 600, "arm\nstart 3", "a\x18b", b"stop"])
def test_a_message_that_is_not_one_line_ends_its_own_socket_only(message: str | bytes) -> None:
    """Too long, two lines, or bytes: that page is cut off, nothing of it is carried out, others go on."""
    desk = FakeDesk(state="ARMED")

    async def talk(port: int) -> None:
        async with browser(port) as good, browser(port) as bad:
            await bad.send(message)
            with pytest.raises(ConnectionClosed):
                await asyncio.wait_for(bad.recv(), WAIT_S)
            assert (await ask(good, "pause"))[-1].startswith("done pause")

    with serving(desk) as to, phone(to) as port:
        asyncio.run(talk(port))
    assert desk.order == ["pause"]


def test_a_daemon_that_goes_closes_the_page_and_one_that_comes_is_found() -> None:
    """The page is told by the end of its socket; once there is a daemon again, a new socket works."""

    async def closed(port: int, down: threading.Event) -> tuple[int, str]:
        async with browser(port) as page:
            await ask(page, "pause")
            down.set()
            try:
                while True:
                    await asyncio.wait_for(page.recv(), WAIT_S)
            except ConnectionClosed as end:
                assert end.rcvd is not None
                return end.rcvd.code, end.rcvd.reason

    async def refused(port: int) -> str:
        async with browser(port) as page:
            with pytest.raises(ConnectionClosed) as end:
                await asyncio.wait_for(page.recv(), WAIT_S)
            assert end.value.rcvd is not None
            return end.value.rcvd.reason

    down, found = threading.Event(), []
    with serving(FakeDesk()) as to:
        server = phone(to)
        port = server.__enter__()
        watcher = threading.Thread(target=lambda: found.append(asyncio.run(closed(port, down))))
        watcher.start()
        assert down.wait(WAIT_S)
    watcher.join(WAIT_S)
    assert found == [(4001, "the daemon has closed the connection")]
    assert asyncio.run(refused(port)).startswith("no daemon answers")
    server.__exit__(None, None, None)


def test_stop_gets_through_500_idle_sockets_and_slow_requests() -> None:
    """With 500 bare connections held open, half of them in the middle of a request, every stop is answered, and a
    page can still be opened; those that say nothing are closed in time."""
    desk = FakeDesk()

    async def stops(port: int) -> None:
        async with browser(port) as page:
            for _ in range(20):
                await stop_takes_s(page)

    with serving(desk) as to, phone(to) as port:
        with idle_sockets(port, 250), idle_sockets(port, 250, b"GET / HTTP/1.1\r\nHost: ") as slow:
            asyncio.run(stops(port))
            slow[0].settimeout(WAIT_S)
            assert slow[0].recv(1) == b""
        huge = b"POST / HTTP/1.1\r\nHost: x\r\nContent-Length: 1000000000\r\n\r\n" + b"x" * 1_000_000
        assert not said_quietly(port, huge).startswith(b"HTTP/1.1 200")
        assert not said_quietly(port, b"GET /" + b"a" * 1_000_000).startswith(b"HTTP/1.1 200")
        asyncio.run(stops(port))
    assert len(desk.stops) == 40


def said_quietly(port: int, data: bytes) -> bytes:
    """Send bytes to a server that may hang up in the middle of them."""
    try:
        return said(port, data)
    except OSError:
        return b""


def test_one_address_cannot_take_every_socket() -> None:
    """More pages than one household has are refused; those that are open go on."""
    desk = FakeDesk()

    async def opens(port: int) -> list[int]:
        pages = [await browser(port) for _ in range(AN_ADDRESS)]
        with pytest.raises(InvalidStatus) as refused:
            await browser(port)
        await pages.pop().close()
        assert (await ask(pages[0], "pause"))[-1].startswith("done pause")
        async with asyncio.timeout(WAIT_S):
            while True:
                try:
                    pages.append(await browser(port))
                    break
                except InvalidStatus:
                    await asyncio.sleep(0.01)
        for page in pages:
            await page.close()
        return [refused.value.response.status_code]

    with serving(desk) as to, phone(to) as port:
        assert asyncio.run(opens(port)) == [503]


@pytest.mark.parametrize(
    ("address", "names", "hosts"),
    [
        ("127.0.0.1", (), {"127.0.0.1:7380", "localhost:7380"}),
        ("192.0.2.10", ("hall.example",), {"192.0.2.10:7380", "hall.example:7380"}),
        ("::ffff:192.0.2.10", (), {"192.0.2.10:7380"}),
        ("2001:db8::1", (), {"[2001:db8::1]:7380"}),
    ],
)
def test_the_page_answers_to_its_own_address_and_given_names(
    address: str, names: tuple[str, ...], hosts: set[str]
) -> None:
    """A name that somebody else points at this machine is none of them."""
    assert allowed_hosts(address, 7380, names) == hosts


@pytest.mark.parametrize(
    ("arguments", "code", "said_why"),
    [
        (["--to", "127.0.0.1:1"], 3, "no daemon answers"),
        (["--on", "somewhere"], 2, "is no address"),
        (["--on", "./phone.sock"], 2, "is no HOST:PORT"),
    ],
)
def test_what_cannot_be_served_is_said_at_once(arguments: list[str], code: int, said_why: str) -> None:
    """No daemon, no address: an exit code of its own and what was wrong."""
    command = [sys.executable, "-m", "drillfeed.daemon.cli", "phone", *arguments]
    ended = subprocess.run(command, stdin=subprocess.DEVNULL, capture_output=True, text=True, timeout=60)
    assert ended.returncode == code and said_why in ended.stderr
