"""Figures of the phone page on this machine: `python -m tests.bench.phone`. Real daemon, simulated thrower, loopback.

How long a stop takes while others flood, how soon a coach's page shows a change, and what a page that watches costs
the daemon.
"""

import asyncio
import contextlib
import os
import tempfile
import time
from collections.abc import AsyncIterator, Sequence
from pathlib import Path

from drillfeed.clients.lines import Client
from drillfeed.daemon.demo.processes import Pair, running_pair
from drillfeed.daemon.demo.real import until_ready
from tests.support.phone_rig import ask, browser, idle_sockets, phone, stop_takes_s

STOPS = 200
CHANGES = 40
COST_S = 20.0
FLOOD_LINES = 10_000


def figures(name: str, seconds: Sequence[float]) -> str:
    """Write p50, p95, p99 and the worst of some times, in milliseconds."""
    ordered = sorted(seconds)
    at = [ordered[min(int(len(ordered) * part), len(ordered) - 1)] * 1000 for part in (0.5, 0.95, 0.99)]
    parts = f"p50 {at[0]:5.1f}  p95 {at[1]:5.1f}  p99 {at[2]:5.1f}  worst {ordered[-1] * 1000:5.1f} ms"
    return f"{name:<52}n {len(ordered):<5} {parts}"


async def stops(port: int, count: int = STOPS) -> list[float]:
    """Time stops from a page that is not paired."""
    async with browser(port) as page:
        return [await stop_takes_s(page) for _ in range(count)]


@contextlib.asynccontextmanager
async def flooding(tcp: str) -> AsyncIterator[None]:
    """Let another client send lines by the ten thousand meanwhile."""
    host, _, port = tcp.rpartition(":")

    async def flood() -> None:
        reader, writer = await asyncio.open_connection(host, int(port))
        drinking = asyncio.ensure_future(drink(reader))
        try:
            while True:
                writer.write(b"status\n" * FLOOD_LINES)
                await writer.drain()
        finally:
            drinking.cancel()
            writer.close()

    task = asyncio.ensure_future(flood())
    try:
        yield
    finally:
        task.cancel()
        await asyncio.gather(task, return_exceptions=True)


async def drink(reader: asyncio.StreamReader) -> None:
    """Read and forget."""
    while await reader.read(65_536):
        pass


async def flooded_stops(port: int, tcp: str) -> list[float]:
    """Time stops under a flood of lines from another client."""
    async with flooding(tcp):
        return await stops(port)


async def changes(port: int, local: Client, code: str) -> list[float]:
    """Time from a command at one client to the changed state in the coach's page, asked for as the page does."""
    times = []
    async with browser(port) as page:
        await ask(page, f"pair {code}")
        await ask(page, "watch json")
        for n in range(CHANGES):
            sent_s = time.perf_counter()
            await asyncio.to_thread(local.balls, 10 + n)
            while '"topic":"hopper"' not in str(await page.recv()):
                pass
            while f'"hopper":{10 + n},' not in (await ask(page, "status json"))[0]:
                pass
            times.append(time.perf_counter() - sent_s)
    return times


def cpu_s(pid: int) -> float:
    """Return the processor time that a process has used (proc(5), fields 14 and 15)."""
    fields = Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()
    return (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK")


async def watched(port: int | None, pair: Pair) -> float:
    """Return the share of a core that the daemon uses for a while, with one page that watches, or none."""
    before_s, end_s = cpu_s(pair.daemon.pid), time.monotonic() + COST_S
    if port is None:
        await asyncio.sleep(COST_S)
    else:
        async with browser(port) as page:
            await ask(page, "watch json")
            while time.monotonic() < end_s:
                await ask(page, "status json")
                with contextlib.suppress(TimeoutError):
                    async with asyncio.timeout(1.0):
                        await page.recv()
    return (cpu_s(pair.daemon.pid) - before_s) / COST_S


def main() -> None:
    """Print the figures."""
    with (
        tempfile.TemporaryDirectory() as folder,
        running_pair("club-build", 1, Path(folder)) as pair,
        pair.client() as local,
        phone(pair.tcp) as port,
    ):
        until_ready(local)
        print(figures("stop from a page", asyncio.run(stops(port))))
        with idle_sockets(port, 250), idle_sockets(port, 250, b"GET / HTTP/1.1\r\nHost: "):
            print(figures("stop from a page, 500 idle or slow sockets", asyncio.run(stops(port))))
        print(figures("stop from a page, another client floods lines", asyncio.run(flooded_stops(port, pair.tcp))))
        code = local.invite("coach").data[0].removeprefix("code ")
        print(figures("change at one client to the coach's page", asyncio.run(changes(port, local, code))))
        until_ready(local)
        local.balls(100)
        for line in ("load mixed-spin seed 1 balls 40", "arm", f"start {local.snapshot().stop_count}"):
            reply = local.ask_line(line)
            assert reply.ok, reply.text
        while local.snapshot().state != "FEEDING":
            time.sleep(0.2)
        shares = f"with a page {asyncio.run(watched(port, pair)):.1%}, without {asyncio.run(watched(None, pair)):.1%}"
        print(f"{'daemon while feeding, share of a core':<52}{shares}; then {local.snapshot().state}")
        local.stop()


if __name__ == "__main__":
    main()
