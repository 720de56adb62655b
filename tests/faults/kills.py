"""`python -m tests.faults.kills --times 200`: kill a whole daemon again and again; no finished throw may be missing.

    python -m tests.faults.kills --times 200 --together 2 --seed 3
    python -m tests.faults.kills --times 5 --json

A real daemon and a real driver of the simulated thrower practise; the daemon is ended by SIGKILL at a random instant
of a phase that is drawn (`PHASES`), started anew on the same journal, and so on. Driver and folder live through all of
it. Exit 0 only if every kill held.

**A finished throw** is one whose feed the driver has reported and the daemon has told its clients of, as a `ball`
notice. From that moment on it has to be in the journal: what a watching client read before the daemon died is held
against the file once the next daemon is up. Two windows are measured and told:

- *not committed yet*: told, but not yet in the file at the instant of the kill, because the journal commits each
  `BATCH_S`. The next daemon has to complete these from the last throws kept in shared memory.
- *not heard of*: fed by the driver's log, but the daemon died before the driver's word had reached it, or was dead
  already. Nobody ever told such a throw, and no journal can hold it; none of them may be older than `MAX_UNHEARD_S`.

Outside records: the driver's own log, and what the client read. Nothing that the daemon says afterwards is believed.
"""

import argparse
import contextlib
import json
import random
import signal
import sqlite3
import sys
import threading
import time
from collections import Counter
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import asdict, dataclass, field
from pathlib import Path
from typing import Any

from drillfeed.clients.find import NoDaemon
from drillfeed.clients.lines import Client
from drillfeed.daemon.journal.schema import open_to_read
from drillfeed.daemon.journal.writer import BATCH_S
from drillfeed.protocol.lines import ReceivedNotice
from tests.faults.bench import POLL_S, READY_S, Bench, NotReady
from tests.faults.verdict import Account

SET_BALLS = 6
DRILL = """\
name = "quick"
title = "As quick as the rules allow"
level = "club"
tempo_per_min = 90
start_delay_s = 5
max_balls = 1200
max_minutes = 60
""" + "".join(
    f"""
[[set]]
balls = {SET_BALLS}
[set.sequence]
kind = "fixed"
balls = ["light-topspin"]
"""
    for _ in range(3)
)
MAX_UNHEARD_S = 0.1
"""Five ticks of the link: the driver tells a feed at once, and with each tick again."""
RECORDED_S = 5.0
SET_S = 30.0


@dataclass(frozen=True)
class Phase:
    """When to kill: so many seconds, drawn up to `max_s`, after one of so many balls; none: after the launch."""

    name: str
    after: tuple[int, ...]
    max_s: float


PHASES = (
    Phase("coming up", (), 2.5),
    Phase("spinning up", (0,), 5.0),
    Phase("feeding", (1,), 3.3),
    Phase("set end", (SET_BALLS,), 0.6),
    Phase("commit", tuple(range(1, SET_BALLS + 1)), BATCH_S + 0.05),
)


@dataclass
class Kill:
    """One kill and what came of it; times in ms before the kill, throws as the driver's feed ids."""

    number: int
    bench: int
    phase: str
    at_s: float
    run: str | None = None
    told: dict[int, float] = field(default_factory=dict)
    fed: dict[int, float] = field(default_factory=dict)
    uncommitted_ms: list[float] = field(default_factory=list)
    unheard_ms: list[float] = field(default_factory=list)
    fed_dead: int = 0
    completed: int = 0
    problems: list[str] = field(default_factory=list)
    stalled_ms: float = 0.0

    @property
    def verdict(self) -> str:
        """`inconclusive` only where the machine stalled and nothing but a window of time was passed."""
        if not self.problems:
            return "holds"
        late = all(text.startswith("not heard of") for text in self.problems)
        return "inconclusive" if late and self.stalled_ms > MAX_UNHEARD_S * 500 else "fails"


class Watcher(threading.Thread):
    """A client that is told what happens, and notes when each notice came, until the daemon is gone."""

    def __init__(self, client: Client) -> None:
        super().__init__(daemon=True)
        self.balls: list[tuple[float, ReceivedNotice]] = []
        self._client = client
        if not client.watch("json").ok:
            raise NotReady("the daemon lets nobody watch")

    def run(self) -> None:
        with contextlib.suppress(NoDaemon), contextlib.closing(self._client):
            for told in self._client.notices():
                if told.topic == "ball":
                    self.balls.append((time.monotonic(), told))

    def fed(self) -> dict[int, float]:
        """Return the throws told as fed, by id, and when that came."""
        return {int(told.fields["id"] or 0): at_s for at_s, told in self.balls if told.fields["outcome"] == "fed"}


class FeedsOf:
    """Reads on in the driver's log: which feeds it did, by the session it was in."""

    def __init__(self, path: Path) -> None:
        self._path, self._read = path, 0
        self.session: str | None = None
        self.adopted_s = float("-inf")
        self.feeds: dict[str, dict[int, float]] = {}

    def look(self) -> None:
        """Take in what was written since the last look; a half-written line waits."""
        with self._path.open("rb") as file:
            file.seek(self._read)
            data = file.read()
        whole = data[: data.rfind(b"\n") + 1]
        self._read += len(whole)
        for line in whole.splitlines():
            event: dict[str, Any] = json.loads(line)
            if event["event"] == "session":
                self.session, self.adopted_s = event["session"], event["t"]
            elif event["event"] == "feed" and self.session is not None:
                self.feeds.setdefault(self.session, {})[event["id"]] = event["t"]


class Practice:
    """One bench whose daemon is killed over and over."""

    def __init__(self, bench: Bench, number: int, chance: random.Random) -> None:
        self.bench, self.number, self._chance = bench, number, chance
        self.journal = bench.folder / "drillfeed" / "journal.sqlite"
        self._log = FeedsOf(bench.driver_log)
        self._unchecked: list[Kill] = []
        self._launched_s = time.monotonic()
        (bench.drills / "quick.toml").write_text(DRILL)

    def kill(self, number: int) -> list[Kill]:
        """Practise up to a random instant, kill, start anew; return the kills that could be checked by now."""
        phase = self._chance.choice(PHASES)
        name = phase.name
        checked: list[Kill] = []
        watcher = None
        if not phase.after:
            _sleep_until(self._launched_s + self._chance.uniform(0, phase.max_s))
        else:
            client = self._up()
            checked = self._checked()
            watcher = Watcher(self.bench.client())
            watcher.start()
            self._start(client)
            after = self._chance.choice(phase.after)
            try:
                self.bench.wait(lambda: len(watcher.balls) >= after, SET_S, f"{after} balls")
            except NotReady:
                name = f"{name}, not reached"  # the machine stalled, and the drill with it: a kill all the same
            time.sleep(self._chance.uniform(0, phase.max_s))
        at_s = self.bench.signal("daemon", signal.SIGKILL)
        self.bench.processes["daemon"].wait()
        kill = Kill(number, self.number, name, at_s)
        if watcher is not None:
            watcher.join(READY_S)
            self._log.look()
            kill.run, kill.told = self._log.session, watcher.fed()
            kept = self._read(kill)
            kill.uncommitted_ms = [round((at_s - came) * 1000, 1) for id, came in kill.told.items() if id not in kept]
        self._unchecked.append(kill)
        self.bench.start_daemon()
        self._launched_s = time.monotonic()
        return checked

    def finish(self) -> list[Kill]:
        """Check what is left, with the last daemon up."""
        self._up()
        return self._checked()

    # Inside.

    def _up(self) -> Client:
        """Go on until idle, a fault left by the daemon before cleared; return a client."""
        client = self.bench.client()

        def idle() -> bool:
            now = client.snapshot()
            if now.state == "FAULT":
                client.clear()
            return now.state == "IDLE" and now.wheels_at_rest is True and (now.clock_error_ms or 99.0) < 10

        self.bench.wait(idle, READY_S, "idle")
        self._log.look()
        return client

    def _start(self, client: Client) -> None:
        """Do what a player would do next until the drill has been started."""
        self.bench.signal("driver", signal.SIGUSR1)  # somebody fills the hopper
        client.balls(100)
        end_s = time.monotonic() + READY_S
        while time.monotonic() < end_s:
            now = client.snapshot()
            if now.state == "FAULT":
                client.clear()
            elif now.state == "IDLE" and now.drill is None:
                client.load("quick", seed=1)
            elif now.state == "IDLE" and now.wheels_at_rest:
                client.arm()
            elif now.state == "ARMED" and client.start(now.stop_count).ok:
                return
            time.sleep(POLL_S)
        raise NotReady(f"not started within {READY_S:g} s: {client.snapshot().state}")

    def _read(self, kill: Kill) -> set[int]:
        """Return the throws of the run of a kill that are in the file, and note what is wrong with the file."""
        if not self.journal.exists():
            return set()
        try:
            with contextlib.closing(open_to_read(self.journal)) as connection:
                found = connection.execute("PRAGMA integrity_check").fetchone()[0]
                rows = connection.execute(
                    "SELECT feed_id, count(*) FROM throws JOIN sessions ON sessions.id = session_id "
                    "WHERE run = ? AND outcome = 'fed' GROUP BY feed_id",
                    (kill.run,),
                ).fetchall()
        except sqlite3.Error as error:
            kill.problems.append(f"the journal does not open: {error}")
            return set()
        if found != "ok":
            kill.problems.append(f"integrity: {found}")
        kill.problems += [f"doubled: {feed_id}" for feed_id, count in rows if count > 1]
        return {row[0] for row in rows}

    def _checked(self) -> list[Kill]:
        checked, self._unchecked = self._unchecked, []
        for kill in checked:
            self._check(kill)
        return checked

    def _check(self, kill: Kill) -> None:
        """Hold the file against the two outside records, with the next daemon up."""
        aside = sorted(path.name for path in self.journal.parent.glob("*.damaged-*"))
        if aside:
            kill.problems.append(f"set aside as damaged: {aside[0]}")
        if kill.run is None:
            return
        until_s = time.monotonic() + RECORDED_S
        while not kill.told.keys() <= (kept := self._read(kill)) and time.monotonic() < until_s:
            time.sleep(BATCH_S)
        kill.completed = sum(id in kept for id in kill.told) - (len(kill.told) - len(kill.uncommitted_ms))
        fed = self._log.feeds.get(kill.run, {})
        kill.fed = {id: at_s for id, at_s in fed.items() if at_s <= kill.at_s}
        kill.fed_dead = len(fed) - len(kill.fed)
        kill.unheard_ms = [round((kill.at_s - at_s) * 1000, 1) for id, at_s in kill.fed.items() if id not in kept]
        kill.stalled_ms = self.bench.machine_late_ms(kill.at_s - 1.0, kill.at_s)
        kill.problems += [f"told and missing: {id}" for id in kill.told if id not in kept]
        kill.problems += [f"in the journal and never fed: {id}" for id in kept if id not in fed]
        late = [ms for ms in kill.unheard_ms if ms > MAX_UNHEARD_S * 1000]
        kill.problems += [f"not heard of for {ms:g} ms" for ms in late]


def _sleep_until(at_s: float) -> None:
    time.sleep(max(0.0, at_s - time.monotonic()))


def practised(number: int, times: int, seed: int, numbers: Iterator[int]) -> Iterator[Kill | str]:
    """Give kill after kill of one bench, then a line on what the whole log of its driver showed."""
    with Bench() as bench:
        practice = Practice(bench, number, random.Random(seed))
        for _ in range(times):
            yield from practice.kill(next(numbers))
        yield from practice.finish()
        seen = Account(bench).seen()
        if seen.verdict != "holds":
            yield f"bench {number}: {seen.text}"


def summary(kills: Sequence[Kill]) -> dict[str, Any]:
    """Return the figures of all kills."""
    phases = Counter(kill.phase for kill in kills)
    uncommitted = [ms for kill in kills for ms in kill.uncommitted_ms]
    unheard = [ms for kill in kills for ms in kill.unheard_ms]
    return {
        "kills": len(kills),
        "held": sum(kill.verdict == "holds" for kill in kills),
        "phases": dict(phases),
        "fed_by_the_driver": sum(len(kill.fed) for kill in kills),
        "told_to_a_client": sum(len(kill.told) for kill in kills),
        "told_and_missing": sum(text.startswith("told and missing") for kill in kills for text in kill.problems),
        "doubled": sum(text.startswith("doubled") for kill in kills for text in kill.problems),
        "not_committed_at_the_kill": len(uncommitted),
        "oldest_of_these_ms": max(uncommitted, default=None),
        "completed_by_the_next_daemon": sum(kill.completed for kill in kills),
        "fed_and_not_heard_of": len(unheard),
        "oldest_of_those_ms": max(unheard, default=None),
        "fed_after_the_kill": sum(kill.fed_dead for kill in kills),
    }


def kill_often(
    times: int, together: int, seed: int, tell: Callable[[Kill, int], None] = lambda kill, done: None
) -> tuple[list[Kill], list[str]]:
    """Kill so many times on so many benches; return the kills, and what else was wrong with a bench or its log."""
    together = max(1, min(together, times))
    done: list[Kill] = []
    broken: list[str] = []
    telling = threading.Lock()
    numbers = iter(range(1, times + 1))

    def one_bench(number: int) -> None:
        mine = len(range(number, times, together))
        for practice in practised(number, mine, seed * 1000 + number, numbers):
            with telling:
                if isinstance(practice, str):
                    broken.append(practice)
                else:
                    done.append(practice)
                    tell(practice, len(done))

    with ThreadPoolExecutor(together) as benches:
        for bench in [benches.submit(one_bench, number) for number in range(together)]:
            try:
                bench.result()
            except (NotReady, NoDaemon, TimeoutError) as error:
                broken.append(f"a bench did not come up: {str(error).splitlines()[0]}")
    return done, broken


def main(argv: Sequence[str] | None = None) -> int:
    """Kill so many times; exit 0 only if every one held."""
    parser = argparse.ArgumentParser(
        prog="python -m tests.faults.kills", description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--times", type=int, default=200, metavar="N", help="kills in all (200)")
    parser.add_argument("--together", type=int, default=1, metavar="N", help="benches at a time (1)")
    parser.add_argument("--seed", type=int, default=1, metavar="N")
    parser.add_argument("--json", action="store_true", help="one JSON object a kill, and one for all")
    args = parser.parse_args(argv)
    began_s = time.monotonic()

    def tell(kill: Kill, done: int) -> None:
        line = _line(kill, done, args.times, time.monotonic() - began_s)
        print(json.dumps({**asdict(kill), "verdict": kill.verdict}) if args.json else line, flush=True)

    done, broken = kill_often(args.times, args.together, args.seed, tell)
    told = {**summary(done), "broken": broken, "took_s": round(time.monotonic() - began_s, 1)}
    print(json.dumps(told) if args.json else "\n".join(f"{key.replace('_', ' ')}: {told[key]}" for key in told))
    return 0 if told["held"] == args.times and not broken else 1


def _line(kill: Kill, done: int, of: int, at_s: float) -> str:
    what = f"{len(kill.told)} told, {len(kill.uncommitted_ms)} not committed, {len(kill.unheard_ms)} not heard of"
    return f"{at_s:7.1f} s  {done}/{of}  {kill.verdict:<12} {kill.phase:<12} {what}  {'; '.join(kill.problems)}"


if __name__ == "__main__":
    sys.exit(main())
