"""Stops and pauses while others flood, in the middle of a line, from two coaches at once."""

import socket
import threading
import time
from concurrent.futures import ThreadPoolExecutor

import numpy as np

from drillfeed.clients.lines import Client
from drillfeed.protocol.lines import STOP_BYTE
from tests.faults.bench import Bench
from tests.faults.flood import read_all
from tests.faults.processes import first
from tests.faults.verdict import Account, Scenario, Seen
from tests.support.driver_log import times

FLOOD_LINES = 10_000
STOP_MS, STOP_WORST_MS = 100.0, 250.0
ROUNDS = 60


class Flood:
    """A client that floods in a process of its own, so that it keeps nobody here waiting; under way when made."""

    def __init__(self, bench: Bench, lines: int = FLOOD_LINES) -> None:
        name = f"flood-{len(bench.processes)}"
        self._process = bench.run(name, "tests.faults.flood", bench.address, str(lines))
        bench.wait(lambda: "flooding" in bench.words(name), 20.0, "flooding")

    def close(self) -> None:
        """Hang up."""
        self._process.terminate()
        self._process.wait()


def check_stop(account: Account, sent_s: float, bound_ms: float = STOP_MS) -> None:
    """Check that the driver read the stop in time and pushed nothing after it."""
    log = account.bench.log()
    read_s = first(times(log, "stop", sent_s))
    account.within("stop read, feeder off", sent_s, read_s, bound_ms)
    account.none("feeds after it", times(log, "feed", read_s or sent_s), sent_s)


def stop_in_flood() -> Seen:
    """Stop from a second client while the first floods."""
    with Bench() as bench:
        bench.feeding()
        stopper = bench.client()
        flood = Flood(bench)
        sent_s = time.monotonic()
        reply = stopper.stop()
        time.sleep(3.0)
        flood.close()
        account = Account(bench)
        account.true("reply", reply.ok and "stopping" in reply.text, reply.text)
        check_stop(account, sent_s)
        return account.seen()


def stop_byte_in_half_line() -> Seen:
    """The reserved byte in the middle of a line that was not finished, while another floods."""
    with Bench() as bench:
        bench.feeding()
        flood = Flood(bench)
        host, port = bench.address.split(":")
        with socket.create_connection((host, int(port))) as half:
            half.sendall(b"load mixed-s")
            sent_s = time.monotonic()
            half.sendall(bytes([STOP_BYTE]))
            time.sleep(3.0)
        flood.close()
        account = Account(bench)
        check_stop(account, sent_s)
        return account.seen()


def stop_behind_own_flood() -> Seen:
    """A client sends ten thousand lines at once, and `stop` as the last of them."""
    with Bench() as bench:
        bench.feeding()
        host, port = bench.address.split(":")
        with socket.create_connection((host, int(port))) as both:
            answers = threading.Thread(target=read_all, args=(both,), daemon=True)
            answers.start()
            both.sendall(b"status json\n" * FLOOD_LINES)
            sent_s = time.monotonic()
            both.sendall(b"stop\n")
            time.sleep(3.0)
        account = Account(bench)
        check_stop(account, sent_s, STOP_WORST_MS)
        return account.seen()


def _some(act: str, seed: int, rounds: int) -> tuple[list[float], Seen]:
    """Stop or pause at random moments on one bench while a client floods; return how long each took, in ms."""
    rng = np.random.default_rng(seed)
    with Bench() as bench:
        client = bench.feeding(fed=1, balls=1000)
        client.balls(1000)
        flood = Flood(bench, 10**9)
        account, began_s = Account(bench), time.monotonic()
        took: list[float] = []
        for _ in range(rounds):
            time.sleep(float(rng.uniform(0.0, 2.0)))
            state, sent_s = client.snapshot().state, time.monotonic()
            reply = client.stop() if act == "stop" else client.pause()
            answered_ms = (time.monotonic() - sent_s) * 1000
            time.sleep(0.3)
            log = bench.log()
            read_s = first(times(log, "stop" if act == "stop" else "epoch", sent_s))
            if not reply.ok or read_s is None:
                account.true_if_awake(f"{act} in {state}", False, reply.text, began_s, STOP_WORST_MS)
                break
            took.append((read_s - sent_s) * 1000)
            late = f"worst tick {client.snapshot().worst_late_ms} ms late"
            told = f"{act} in {state}, answered after {answered_ms:.0f} ms, {late}"
            account.within(told, sent_s, read_s, STOP_WORST_MS)
            after = times(log, "feed", read_s)
            if after:
                account.none(f"feeds after the {act}", after, sent_s)
            refused = _go_on(bench, client, act)
            if refused:
                account.true_if_awake(f"goes on after the {act}", False, refused, began_s, STOP_WORST_MS)
                break
        flood.close()
        account.words.clear()
        return took, account.seen()


def _again_and_again(act: str) -> Seen:
    """Stop or pause `ROUNDS` times at random moments, on two benches at a time."""
    with ThreadPoolExecutor(2) as both:
        parts = list(both.map(lambda seed: _some(act, seed, ROUNDS // 2), (7, 8)))
    took = sorted(event for part, _ in parts for event in part)
    p50, p99 = took[len(took) // 2], took[min(int(len(took) * 0.99), len(took) - 1)]
    words = f"{len(took)} times: p50 {p50:.0f}, p99 {p99:.0f}, worst {took[-1]:.0f} ms"
    words += "".join(f"; {seen.text}" for _, seen in parts if seen.text)
    verdicts = {seen.verdict for _, seen in parts}
    if "fails" not in verdicts and "inconclusive" in verdicts:
        return Seen(words, "inconclusive")
    held = verdicts == {"holds"} and len(took) == ROUNDS and p99 <= STOP_MS
    return Seen(words, "holds" if held else "fails")


def _go_on(bench: Bench, client: Client, act: str) -> str | None:
    if act == "pause":
        replies = [client.resume()]
    else:
        bench.wait(lambda: client.snapshot().state == "IDLE", 20.0, "idle")
        replies = [client.arm(), client.start(client.snapshot().stop_count)]
    for reply in replies:
        if not reply.ok:
            return reply.text
    # Half of them while the wheels come up, half while balls are fed.
    if len(times(bench.log(), "epoch")) % 2:
        bench.wait(lambda: client.snapshot().state == "FEEDING", 40.0, "feeding")
    return None


SCENARIOS = (
    Scenario(
        "stop-in-flood",
        "another client sends 10,000 lines",
        "stop read and feeder off within 100 ms; no feed after it",
        stop_in_flood,
        ci=True,
    ),
    Scenario(
        "stop-byte", "the stop byte in a half-sent line, under flood", "the same", stop_byte_in_half_line, ci=True
    ),
    Scenario(
        "stop-behind-own-flood",
        "10,000 lines and a stop in one client's breath",
        "stop read and feeder off within 250 ms; no feed after it",
        stop_behind_own_flood,
    ),
    Scenario(
        "stops-at-random",
        f"{ROUNDS} stops at random moments, under flood",
        "p99 100 ms, worst 250 ms; no feed after any",
        lambda: _again_and_again("stop"),
    ),
    Scenario(
        "pauses-at-random",
        f"{ROUNDS} pauses at random moments, under flood",
        "p99 100 ms, worst 250 ms; no feed after any",
        lambda: _again_and_again("pause"),
    ),
)
