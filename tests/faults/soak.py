"""`python -m tests.faults soak --minutes N --seed S`: practise in real processes while harm is done at random.

Every few seconds something is drawn: a stop, a pause, a frozen daemon or driver, a killed one that is started anew, a
link of jitter and loss, a flood. In between a player brings the thrower back: clear, arm, start. At the end the whole
log is held against the invariants, the journal's throws against the pushes in the log, and memory and file handles
of the daemon against what they were after a minute.
"""

import argparse
import contextlib
import signal
import time
from collections import Counter
from collections.abc import Sequence
from pathlib import Path

import numpy as np

from drillfeed.clients.find import NoDaemon
from drillfeed.clients.lines import Client
from drillfeed.daemon.journal.schema import open_to_read
from tests.faults.bench import Bench
from tests.faults.proxy import lossy, untouched
from tests.faults.stops import Flood
from tests.faults.verdict import Account
from tests.support.driver_log import times
from tests.support.resources import held_by

HARMS = ("nothing", "stop", "pause", "freeze-daemon", "freeze-driver", "kill-driver", "jitter", "flood")
MAX_MEMORY_KB = 20_000
MAX_HANDLES = 4
SETTLES_S = 4.0


def outcomes(journal: Path) -> Counter[str]:
    """Return how many throws the journal tells of, by outcome."""
    with contextlib.closing(open_to_read(journal)) as connection:
        return Counter(dict(connection.execute("SELECT outcome, count(*) FROM throws GROUP BY outcome")))


def bring_back(client: Client) -> None:
    """Do what a player would do next, whatever the state."""
    now = client.snapshot()
    if now.state == "FAULT":
        client.clear()
    elif now.state == "IDLE":
        client.balls(1000)
        client.load("bench", seed=1, balls=1000)
        client.arm()
    elif now.state == "ARMED":
        client.start(now.stop_count)
    elif now.state == "PAUSED":
        client.resume()
    elif now.state == "RESTING":
        client.ready()


def harm(bench: Bench, client: Client, what: str, rng: np.random.Generator) -> None:
    """Do one harm, for a while, and undo it."""
    seconds = float(rng.uniform(0.1, 3.0))
    assert bench.proxy is not None
    if what == "stop":
        client.stop()
    elif what == "pause":
        client.pause()
    elif what.startswith("freeze"):
        bench.freeze(what.split("-")[1], seconds)
    elif what == "kill-driver":
        bench.signal("driver", signal.SIGKILL)
        bench.processes["driver"].wait()
        bench.start_driver(int(rng.integers(1000)))
    elif what == "jitter":
        bench.proxy.rule = lossy(rng, 0.150, 0.10, 0.05)
        time.sleep(4 * seconds)
        bench.proxy.rule = untouched
    elif what == "flood":
        flood = Flood(bench, 5_000)
        time.sleep(seconds)
        flood.close()


def main(argv: Sequence[str]) -> int:
    """Practise and do harm for so many minutes; exit 0 only if all held."""
    parser = argparse.ArgumentParser(prog="python -m tests.faults soak", description=__doc__)
    parser.add_argument("--minutes", type=float, default=20.0)
    parser.add_argument("--seed", type=int, default=1)
    args = parser.parse_args(argv)
    rng = np.random.default_rng(args.seed)
    done: Counter[str] = Counter()
    with Bench(proxied=True) as bench:
        client = bench.feeding(balls=1000)
        began_s, first, said_s = time.monotonic(), None, 0.0
        while time.monotonic() < began_s + args.minutes * 60:
            what = str(rng.choice(HARMS))
            done[what] += 1
            harm(bench, client, what, rng)
            until_s = time.monotonic() + float(rng.uniform(2.0, 15.0))
            while time.monotonic() < until_s:
                bring_back(client)
                time.sleep(0.2)
            if first is None and time.monotonic() > began_s + 60:
                first = held_by(bench.processes["daemon"].pid)
            if time.monotonic() - said_s > 30.0:
                said_s = time.monotonic()
                fed = len(times(bench.log(), "feed"))
                memory_kb, handles = held_by(bench.processes["daemon"].pid)
                holds = f"{memory_kb} kB, {handles} handles"
                print(f"{(said_s - began_s) / 60:5.1f} min, {fed} balls, {holds}, {dict(done)}", flush=True)
        last = held_by(bench.processes["daemon"].pid)
        account = Account(bench)
        account.true("balls fed", len(times(bench.log(), "feed")) > 0, len(times(bench.log(), "feed")))
        grown = (last[0] - first[0], last[1] - first[1]) if first is not None else (0, 0)
        account.true("memory", grown[0] <= MAX_MEMORY_KB, f"{last[0]} kB, {grown[0]:+} kB")
        account.true("file handles", grown[1] <= MAX_HANDLES, f"{last[1]}, {grown[1]:+}")
        client.stop()
        time.sleep(SETTLES_S)
        written, pushed = outcomes(bench.folder / "drillfeed" / "journal.sqlite"), len(times(bench.log(), "feed"))
        told = f"{pushed} pushed; journal {dict(written)}"
        account.true("counts agree", written["fed"] <= pushed <= written["fed"] + written["unknown"], told)
        try:
            account.true("daemon answers", client.snapshot() is not None)
        except (NoDaemon, TimeoutError) as error:
            account.true("daemon answers", False, str(error))
        seen = account.seen()
    print(f"{seen.verdict}: {seen.text}")
    return 0 if seen.verdict == "holds" else 1
