"""What web pages can do to the command port through a real browser: nothing.

    python -m tests.browser.cross_site [--browser chromium]

Opens a page from elsewhere, a page whose name resolves to this machine and whose origin is the command port itself, and
the phone page, and has each send orders in every way that a page has: fetch, form, image, script, web socket, beacon,
event stream, TLS, a call between browsers. Between browser and daemon stands a tap that counts what came. Ends with
exit code 1 where an order was obeyed or where nothing of the kind reached the port.
"""

import argparse
import asyncio
import contextlib
import shutil
import sys
import tempfile
from collections import Counter
from dataclasses import dataclass, field
from pathlib import Path

from drillfeed.clients.lines import Client
from drillfeed.daemon.demo.processes import running_pair
from drillfeed.daemon.demo.real import until_ready
from tests.browser.chromium import chromium
from tests.support.phone_rig import phone

NAME = "attacker.example"
BALLS = 100
SETTLE_S = 4.0
ORDERS = ["cautions accept", "balls 7", "load mixed-spin", "arm", *(f"start {n}" for n in range(12)), "stop"]
WAYS = """async (target, orders) => {
  const body = orders.join("\\n") + "\\n", url = `http://${target}`, long = "a".repeat(3000);
  const own = location.host === target, soon = (ms) => new Promise((done) => setTimeout(done, ms));
  const ways = {
    fetch: () => fetch(url + "/", { method: "POST", mode: "no-cors", headers: { "Content-Type": "text/plain" }, body }),
    fetchLong: () => fetch(`${url}/${long}`, { method: "POST", mode: "no-cors", body }),
    beacon: () => navigator.sendBeacon(url + "/beacon", body),
    form: () => submit("text/plain"),
    formParts: () => submit("multipart/form-data"),
    image: () => { document.body.append(Object.assign(new Image(), { src: url + "/?\\narm\\n" })); },
    script: () => { document.body.append(Object.assign(document.createElement("script"), { src: url + "/x.js" })); },
    socket: () => { const ws = new WebSocket(`ws://${target}/`); ws.onopen = () => ws.send(body); },
    events: () => { new EventSource(url + "/events"); },
    tls: () => fetch(`https://${target}/`, { method: "POST", mode: "no-cors", body }),
    call: async () => {
      const server = { urls: `turn:${target}?transport=tcp`, username: "x\\n" + body, credential: "x" };
      const peer = new RTCPeerConnection({ iceServers: [server], iceTransportPolicy: "relay" });
      peer.createDataChannel("x");
      await peer.setLocalDescription(await peer.createOffer());
    },
  };
  if (own) {
    ways.method = () => fetch("/", { method: "arm", headers: { "X-Any": "stop" }, body });
    ways.methodLong = () => fetch("/" + long, { method: "stop", body });
  }
  function submit(enctype) {
    const frame = Object.assign(document.createElement("iframe"), { name: "f" + enctype });
    const form = Object.assign(document.createElement("form"), { method: "POST", action: url + "/", enctype });
    form.target = frame.name;
    form.append(Object.assign(document.createElement("textarea"), { name: "x", value: "\\n" + body }));
    document.body.append(frame, form);
    form.submit();
  }
  const ended = {};
  const one = async ([name, way]) => {
    try { await Promise.race([way(), soon(1500)]); ended[name] = "sent"; }
    catch (error) { ended[name] = String(error); }
  };
  await Promise.all(Object.entries(ways).map(one));
  await soon(1000);
  return ended;
}"""


@dataclass
class Tap:
    """Passes bytes on to the daemon and counts how each connection began; gives the page itself when asked for it."""

    to: int
    began: Counter[str] = field(default_factory=Counter)
    passed: int = 0

    async def talk(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        """Serve one connection of the browser."""
        with contextlib.suppress(OSError, asyncio.CancelledError):  # the latter at the end of all
            first = await reader.read(65_536)
            if first.startswith((b"GET /page ", b"GET /favicon.ico ")):
                head = b"HTTP/1.1 200 OK\r\nContent-Type: text/html\r\nContent-Length: 13\r\nConnection: close\r\n\r\n"
                writer.write(head + b"<body></body>")
            elif first:
                self.began[_named(first)] += 1
                await self._pass_on(first, reader, writer)
        writer.close()

    async def _pass_on(self, first: bytes, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        from_daemon, to_daemon = await asyncio.open_connection("127.0.0.1", self.to)
        answers = asyncio.ensure_future(_copy(from_daemon, writer))
        data = first
        with contextlib.suppress(OSError):
            while data:
                self.passed += len(data)
                to_daemon.write(data)
                await to_daemon.drain()
                data = await reader.read(65_536)
        to_daemon.close()
        await answers


async def _copy(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
    with contextlib.suppress(OSError):
        while data := await reader.read(65_536):
            writer.write(data)
    writer.close()


def _named(first: bytes) -> str:
    if first.startswith(b"\x16\x03"):
        return "TLS"
    if first[4:8] == b"!\x12\xa4B":
        return "STUN"
    return first.split(b" ")[0].decode("ascii", "replace")[:12]


async def attack(program: str, daemon_port: int, phone_port: int, local: Client) -> list[str]:
    """Let every page do its worst; returns what was not as it must be."""
    problems: list[str] = []

    def see(what: str, well: bool) -> None:
        print(f"{'as it must be' if well else 'NOT SO':<14}{what}")
        if not well:
            problems.append(what)

    tap = Tap(daemon_port)
    server = await asyncio.start_server(tap.talk, "127.0.0.1", 0)
    port = int(server.sockets[0].getsockname()[1])
    elsewhere = await asyncio.start_server(Tap(0).talk, "127.0.0.1", 0)
    away = int(elsewhere.sockets[0].getsockname()[1])
    pages = {
        "a page from elsewhere, by address": (f"http://{NAME}:{away}/page", f"127.0.0.1:{port}"),
        "a page from elsewhere, by a name that resolves here": (f"http://{NAME}:{away}/page", f"{NAME}:{port}"),
        "a page with the port's own origin": (f"http://{NAME}:{port}/page", f"{NAME}:{port}"),
        "the phone page": (f"http://127.0.0.1:{phone_port}/", f"127.0.0.1:{port}"),
    }
    before = await asyncio.to_thread(local.snapshot)
    async with server, elsewhere, chromium(program, f"--host-resolver-rules=MAP {NAME} 127.0.0.1") as browser:
        for name, (url, target) in pages.items():
            tap.began.clear()
            page = await browser.page(url, 390, 844)
            await page.until("document.readyState === 'complete' && Boolean(document.body)")
            ended = await page.value(f"({WAYS})({target!r}, {ORDERS!r})")
            await asyncio.sleep(SETTLE_S)
            now = await asyncio.to_thread(local.snapshot)
            told = f"{now.state}, {now.hopper} balls, stop count {now.stop_count}, drill {now.drill}"
            same = (now.hopper, now.stop_count, now.drill) == (before.hopper, before.stop_count, before.drill)
            see(
                f"{name}: {told} after {len(ended)} ways; reached the port: {dict(tap.began)}",
                now.state == "IDLE" and same,
            )
            if name != "the phone page":  # its policy lets it connect to nothing but its own server
                see(f"{name}: was heard at the port", {"POST", "GET", "TLS"} <= set(tap.began))
    return problems


def main() -> int:
    """Run everything; returns the exit code."""
    parser = argparse.ArgumentParser(prog="python -m tests.browser.cross_site", description=__doc__)
    parser.add_argument("--browser", default=shutil.which("chromium") or "chromium", help="the browser's program")
    args = parser.parse_args()
    with (
        tempfile.TemporaryDirectory() as folder,
        running_pair("club-build", 1, Path(folder)) as pair,
        pair.client() as local,
        phone(pair.tcp) as port,
    ):
        until_ready(local)
        local.balls(BALLS)
        problems = asyncio.run(attack(args.browser, int(pair.tcp.rpartition(":")[2]), port, local))
    print(f"{len(problems)} not as they must be")
    return 1 if problems else 0


if __name__ == "__main__":
    sys.exit(main())
