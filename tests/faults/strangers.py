"""Peers on the driver link that are not the driver: they cost nothing, and take nobody's place."""

import os
import signal
import time
from pathlib import Path

import numpy as np

from drillfeed.clients.lines import Client
from tests.faults.bench import Bench, NotReady
from tests.faults.processes import first
from tests.faults.stops import STOP_MS
from tests.faults.verdict import Account, Scenario, Seen
from tests.support.driver_log import times

GHOSTS, STOPS, ROUNDS = 40, 30, 4
GREETED_MS = 3000.0
MAX_MEMORY_MB, MAX_CORE = 100.0, 0.5


def _used(bench: Bench) -> tuple[float, float]:
    """Return the daemon's memory in MB and the seconds it has had of a core."""
    process = Path("/proc") / str(bench.processes["daemon"].pid)
    pages, words = int((process / "statm").read_text().split()[1]), (process / "stat").read_text().rpartition(")")[2]
    ticks = sum(map(int, words.split()[11:13]))
    return pages * os.sysconf("SC_PAGE_SIZE") / 1e6, ticks / os.sysconf("SC_CLK_TCK")


class Haunting:
    """Ghosts in a process of their own, under way when made."""

    def __init__(self, bench: Bench) -> None:
        self._process = bench.run("ghosts", "tests.faults.ghosts", bench.link, str(GHOSTS))
        bench.wait(lambda: "haunting" in bench.words("ghosts"), 20.0, "haunting")

    def close(self) -> None:
        """Leave."""
        self._process.terminate()
        self._process.wait()


def _timed_stop(account: Account, client: Client, driver_reads: bool) -> float:
    """Stop, hold answer and driver's log against the bound, and return how long the answer took, in ms."""
    sent_s = time.monotonic()
    reply = client.stop()
    done_s = time.monotonic()
    time.sleep(0.2)
    told = Account(account.bench)
    told.true("answered", reply.ok, reply.text)
    told.within("stop answered", sent_s, done_s, STOP_MS)
    if driver_reads:
        read_s = first(times(account.bench.log(), "stop", sent_s))
        told.within("stop read, feeder off", sent_s, read_s, STOP_MS)
        told.none("feeds after it", times(account.bench.log(), "feed", read_s or sent_s), sent_s)
    account.problems += told.problems
    account.stalled += told.stalled
    return (done_s - sent_s) * 1000


def ghosts_on_the_link() -> Seen:
    """Stop again and again while ghosts flood the driver link; then let a driver begin among them."""
    rng = np.random.default_rng(5)
    with Bench() as bench:
        client = bench.feeding(balls=1000)
        client.balls(1000)
        account = Account(bench)
        quiet_mb, _ = _used(bench)
        haunting, began_s = Haunting(bench), time.monotonic()
        _, before_s = _used(bench)
        time.sleep(4.0)
        mb, core_s = _used(bench)
        share = (core_s - before_s) / (time.monotonic() - began_s)
        account.true("memory taken", mb - quiet_mb < MAX_MEMORY_MB, f"{mb - quiet_mb:.0f} MB")
        account.true("of a core", share < MAX_CORE, f"{share:.2f}")
        now, fed = client.snapshot(), len(times(bench.log(), "feed", began_s))
        account.true_if_awake("drill goes on among them", now.state == "FEEDING", now.reason, began_s, 250.0)
        account.true_if_awake("balls fed meanwhile", fed >= 2, fed, began_s, 250.0)
        took = [_timed_stop(account, client, driver_reads=True)]
        for _ in range(ROUNDS - 1):
            bench.wait(lambda: client.snapshot().state == "IDLE", 30.0, "idle among ghosts")
            for reply in (client.arm(), client.start(client.snapshot().stop_count)):
                if not reply.ok:
                    raise NotReady(reply.text)
            bench.wait(lambda: client.snapshot().state == "FEEDING", 30.0, "feeding among ghosts")
            time.sleep(float(rng.uniform(0.0, 2.0)))
            took.append(_timed_stop(account, client, driver_reads=True))
        for _ in range(STOPS):
            time.sleep(float(rng.uniform(0.0, 0.1)))
            took.append(_timed_stop(account, client, driver_reads=False))
        account.words.append(f"{len(took)} stops answered, {ROUNDS} of them FEEDING: worst {max(took):.0f} ms")
        bench.wait(lambda: client.snapshot().state == "IDLE", 30.0, "idle among ghosts")
        bench.signal("driver", signal.SIGKILL)
        bench.processes["driver"].wait()
        from_s = time.monotonic()
        bench.start_driver()
        bench.wait(lambda: bool(times(bench.log(), "boot", from_s)), 20.0, "begun anew")
        boot_s = times(bench.log(), "boot", from_s)[0]
        time.sleep(GREETED_MS / 1000)
        session_s = first(times(bench.log(), "session", boot_s))
        account.within("a driver that begins among them is greeted", boot_s, session_s, GREETED_MS)
        haunting.close()
        return account.seen()


def second_daemon_on_the_link() -> Seen:
    """Start a daemon for another machine on the same `ipc://` link, with a state folder of its own."""
    with Bench(ipc=True) as bench:
        client = bench.feeding()
        at_s = time.monotonic()
        words = ("--machine", "kit-build", "--listen", "127.0.0.1:0", "--observe", "tcp://127.0.0.1:*")
        second = bench.run("second", "drillfeed.daemon.cli", "serve", *words, "--link", bench.link)
        code = second.wait(20.0)
        time.sleep(2.0)
        account, told = Account(bench), bench.words("second").strip().splitlines()
        account.true("second left", code == 1 and len(told) == 1, f"{code}: {told[-1:]}")
        fed, state = len(times(bench.log(), "feed", at_s)), client.snapshot().state
        account.true_if_awake("drill undisturbed", fed >= 2 and state == "FEEDING", f"{fed} {state}", at_s, 250.0)
        bench.signal("driver", signal.SIGKILL)
        bench.processes["driver"].wait()
        from_s = time.monotonic()
        bench.start_driver()
        bench.wait(lambda: bool(times(bench.log(), "session", from_s)), 20.0, "the first daemon's session")
        account.true("a driver that connects now comes to the first", True)
        return account.seen()


SCENARIOS = (
    Scenario(
        "ghosts-on-the-link",
        f"{GHOSTS} peers that never say a valid hello flood the driver link",
        "the drill goes on, on half a core; stops answered and read within 100 ms; a new driver is greeted",
        ghosts_on_the_link,
    ),
    Scenario(
        "second-on-ipc-link",
        "a second daemon, for another machine, on the same ipc:// link",
        "refused in one line; the drill goes on, and the next driver comes to the first daemon",
        second_daemon_on_the_link,
    ),
)
