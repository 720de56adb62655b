"""`python -m tests.faults.stop_flood`: a stop from new clients while strangers open connections as fast as they can.

    python -m tests.faults.stop_flood                          at 256 and at 1,024 open files, 200 stops each
    python -m tests.faults.stop_flood --files 256 --stops 40 --feeding 2 --rate 0

Each stop comes from a connection that did not exist before. Some of them come while balls are fed: the driver's log
tells when the stop was read and whether a ball was pushed after it. A round in which the machine itself stalled is done
again. Exit code 1 where a stop was not answered, or late.
"""

import argparse
import random
import re
import socket
import sys
import time
from collections.abc import Sequence
from dataclasses import dataclass, field

from drillfeed.clients.lines import Client
from tests.faults.bench import POLL_S, Bench, NotReady
from tests.faults.verdict import Account, Seen
from tests.support.driver_log import times

STOP_P99_MS = 250.0
GIVEN_UP_S = 3.0
STALL_MS = STOP_P99_MS / 2
MAX_TRIES = 5
PAUSE_S = 0.1


@dataclass
class Tally:
    """How the stops went; times in ms."""

    took: list[float] = field(default_factory=list)
    read: list[float] = field(default_factory=list)
    problems: list[str] = field(default_factory=list)
    unknown: list[str] = field(default_factory=list)
    faults: list[str] = field(default_factory=list)
    stalled: int = 0

    @property
    def p99(self) -> float:
        """The 99th percentile of the answers."""
        took = sorted(self.took)
        return took[min(int(len(took) * 0.99), len(took) - 1)] if took else float("inf")

    def text(self, opened: str) -> str:
        """Say it in a line."""
        took = sorted(self.took) or [float("nan")]
        words = f"{len(self.took)} stops answered: p50 {took[len(took) // 2]:.0f}, p99 {self.p99:.0f}, "
        words += f"worst {took[-1]:.0f} ms"
        if self.read:
            words += (
                f"; {len(self.read)} of them while feeding, read by the driver after {max(self.read):.0f} ms at most"
            )
        words += f"; {opened}; {self.stalled} rounds repeated, the machine stalled"
        words += "".join(f"; fault latched meanwhile: {fault}" for fault in self.faults[:3])
        return words + "".join(f"; WRONG: {problem}" for problem in self.problems[:3])


def new_clients_stop(address: str, source: str) -> tuple[str, float, float]:
    """Connect, send a stop, wait for its answer; returns what came, when it began, and how long it took in ms."""
    host, _, port = address.rpartition(":")
    began_s, got = time.monotonic(), b""
    try:
        with socket.create_connection((host, int(port)), GIVEN_UP_S, source_address=(source, 0)) as wire:
            wire.sendall(b"stop\n")
            while b"\n" not in got and (part := wire.recv(4096)):
                got += part
    except OSError as error:
        got = f"{type(error).__name__}: {error}".encode()
    return got.decode("utf-8", "replace").strip(), began_s, (time.monotonic() - began_s) * 1000


def one_stop(bench: Bench, client: Client, tally: Tally, rng: random.Random, feeding: bool) -> None:
    """Stop once from a client that did not exist before, again while the machine itself stalls."""
    for _ in range(MAX_TRIES):
        if feeding:
            go_on(bench, client, tally)
        # Half of them from the address that clients have, half from one never seen before.
        source = "127.0.0.1" if rng.random() < 0.5 else f"127.{rng.randrange(1, 255)}.{rng.randrange(256)}.7"
        got, began_s, took_ms = new_clients_stop(bench.address, source)
        answered = got.startswith("done stop")
        if took_ms > STALL_MS or not answered:
            time.sleep(0.05)  # the sleeper's last lines
            if bench.machine_late_ms(began_s, time.monotonic()) > STALL_MS:
                tally.stalled += 1
                continue
        if not answered:
            tally.problems.append(f"not answered from {source} after {took_ms:.0f} ms: {got or 'closed'}")
        else:
            tally.took.append(took_ms)
        if feeding:
            judge(bench, tally, began_s)
        return
    tally.unknown.append(f"the machine stalled {MAX_TRIES} times in a row")


def go_on(bench: Bench, client: Client, tally: Tally) -> None:
    """Arm, start and go on until a ball is fed, from the client that was there before the strangers."""
    now = client.snapshot()
    end_s = time.monotonic() + 30.0
    while now.state not in ("IDLE", "ARMED"):
        if time.monotonic() > end_s:
            raise NotReady(f"not idle but {now.state}: {now.reason}; {now.faults}; {now.worst_late_ms}")
        if now.state == "FAULT" and client.clear().ok:
            tally.faults.append(f"{now.reason}")
        time.sleep(POLL_S)
        now = client.snapshot()
    for reply in (client.balls(1000), client.arm(), client.start(client.snapshot().stop_count)):
        if not reply.ok and "ARMED" not in reply.text:
            raise RuntimeError(reply.text)
    pushed = len(times(bench.log(), "feed"))
    bench.until_fed(pushed + 1)


def judge(bench: Bench, tally: Tally, began_s: float) -> None:
    """Hold the driver's log against the stop."""
    time.sleep(0.5)
    log = bench.log()
    read = times(log, "stop", began_s)
    if not read:
        tally.problems.append("the driver never read the stop")
        return
    tally.read.append((read[0] - began_s) * 1000)
    if tally.read[-1] > STOP_P99_MS and bench.machine_late_ms(began_s, read[0]) <= STALL_MS:
        tally.problems.append(f"read by the driver after {tally.read[-1]:.0f} ms")
    if times(log, "feed", read[0]):
        tally.problems.append("a ball was pushed after the stop")


def flood(files: int, stops: int, feeding: int, rate_per_s: float) -> tuple[Tally, Seen]:
    """Run one daemon that may have so many open files, and one process of strangers."""
    rng, tally = random.Random(files), Tally()
    with Bench(files=files) as bench:
        client = bench.ready()
        reply = client.load("bench", seed=1)
        if not reply.ok:
            raise RuntimeError(reply.text)
        bench.run("strangers", "tests.faults.crowd", bench.address, f"{rate_per_s:g}")
        bench.wait(lambda: "flooding" in bench.words("strangers"), 20.0, "flooding")
        for n in range(stops):
            one_stop(bench, client, tally, rng, n * feeding // stops != (n + 1) * feeding // stops)
            time.sleep(PAUSE_S)
        account = Account(bench)
        opened = re.findall(r"opened (\d+) in ([0-9.]+) s", bench.words("strangers"))
        told = "no strangers" if not opened else f"{int(opened[-1][0]):,} strangers in {opened[-1][1]} s"
        account.true(tally.text(told), not tally.problems and tally.p99 < STOP_P99_MS)
        account.stalled += tally.unknown
        late = client.snapshot().worst_late_ms
        account.true(f"worst tick {late} ms late", True)
        return tally, account.seen()


def main(argv: Sequence[str] | None = None) -> int:
    """Run it at each number of open files."""
    parser = argparse.ArgumentParser(
        prog="python -m tests.faults.stop_flood",
        description=__doc__,
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    parser.add_argument("--files", type=int, action="append", help="open files the daemon may have (256 and 1024)")
    parser.add_argument("--stops", type=int, default=200)
    parser.add_argument("--feeding", type=int, default=20, help="how many of them while balls are fed")
    parser.add_argument("--rate", type=float, default=2500.0, help="strangers a second; 0: as many as they can")
    args = parser.parse_args(argv)
    held = True
    for files in args.files or (256, 1024):
        _, seen = flood(files, args.stops, args.feeding, args.rate)
        held = held and seen.verdict == "holds"
        print(f"{seen.verdict:<13}{files} files: {seen.text}", flush=True)
    return 0 if held else 1


if __name__ == "__main__":
    sys.exit(main())
