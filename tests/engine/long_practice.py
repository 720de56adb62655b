"""`python -m tests.engine.long_practice`: hours of practice on the virtual clock, with harm done at random throughout.

    python -m tests.engine.long_practice --hours 10 --seed 1
    python -m tests.engine.long_practice --machine kit-build --hours 1 --json

The shipped engine, link, driver code and journal. Every few seconds something is drawn: a stop, a pause, a frozen side,
a driver begun anew (some with a part of the thrower that fails later), a bad link, a lost one. In between a player
brings the thrower back, by what status says. Judged: the driver's log against the global invariants, each setpoint on
the wire, what daemon, journal and driver's log count, memory and file handles after each hour. Exit 0 only if all hold.
"""

import argparse
import contextlib
import gc
import json
import os
import sys
import tempfile
import time
from collections import Counter
from collections.abc import Callable, Sequence
from dataclasses import asdict, dataclass, field
from pathlib import Path
from typing import Any

import numpy as np

from drillfeed.clients.drivers.faults import parse_fault
from drillfeed.daemon.engine.events import Event
from drillfeed.daemon.engine.snapshot import snapshot
from drillfeed.daemon.journal.entries import EventEntry
from drillfeed.daemon.journal.schema import open_to_read
from drillfeed.daemon.journal.writer import Journal
from drillfeed.daemon.simulation import Side
from tests.support import setpoints
from tests.support.driver_log import LogWatch
from tests.support.halls import WatchedHall, drill_plan, machine
from tests.support.resources import held_by

HOUR_S = 3600.0
LOOK_S = 0.5
KEPT = 80  # setpoints kept beyond those judged, since an epoch's first is held against the one in force before it
MAX_MEMORY_KB = 20_000
PART_FAULTS = ("top=off", "bottom=stuck", "top-drive=slow:2", "bottom-drive=off", "tilt-drive=stuck", "feeder=stuck",
               "feeder=wrong", "exits=stuck", "exits=garbage", "supply=wrong:0.7")  # fmt: skip
JOURNAL_S = 10.0


@dataclass
class Figures:
    """What was done and counted; `unknown`: pushes told to the driver that it never answered."""

    hours: float = 0.0
    pushed: int = 0
    commanded: int = 0
    unknown: int = 0
    written: int = 0
    seen: int = 0
    left: int = 0
    harms: dict[str, int] = field(default_factory=dict)
    faults: dict[str, int] = field(default_factory=dict)
    memory_kb: list[int] = field(default_factory=list)
    handles: list[int] = field(default_factory=list)
    objects: list[int] = field(default_factory=list)
    problems: list[str] = field(default_factory=list)


class LongPractice:
    """One hall whose log and setpoints are judged as they come, and forgotten."""

    def __init__(self, on: str, seed: int, folder: Path) -> None:
        self.rng = np.random.default_rng(seed)
        self.hall = WatchedHall(machine(on), seed=seed)
        self.plan = drill_plan(self.hall.on, sets=(20, 20, 20), rest_s=8.0)
        self.watch = LogWatch(self.hall.on.limits())
        self.figures = Figures()
        self.harms: Counter[str] = Counter()
        self.faults: Counter[str] = Counter()
        self.journal = Journal(folder / "journal.sqlite", on, "long-practice", wall_of=lambda at_s: 1.7e9 + at_s)
        self.journal.start()
        self.hall.hall.on_event = self._told
        self.hall.delays = self._delays  # type: ignore[method-assign]
        self.jitter = (0.0, 0.0, 0.0)
        self.acts: dict[str, Callable[[], None]] = {
            "nothing": lambda: None,
            "stop": lambda: self._say("stop"),
            "pause": lambda: self._say("pause"),
            "freeze-daemon": lambda: self._freeze("daemon"),
            "freeze-driver": lambda: self._freeze("driver"),
            "driver-anew": lambda: self._anew(()),
            "failing-part": lambda: self._anew((str(self.rng.choice(PART_FAULTS)),)),
            "jitter": lambda: self._bad_link((0.150, 0.10, 0.05)),
            "link-lost": lambda: self._bad_link((0.0, 1.0, 0.0)),
        }

    # What the hall calls.

    def _told(self, event: Event) -> None:
        self.journal.note(EventEntry(event))
        if event.topic == "ball":
            self.figures.commanded += event.fields["outcome"] == "fed"
            self.figures.unknown += event.fields["outcome"] == "unknown"
        elif event.topic == "fault":
            self.faults[event.text.split(":")[0]] += 1

    def _delays(self, to: Side, frame: bytes) -> tuple[float, ...]:
        max_s, loss, doubled = self.jitter
        if not any(self.jitter):
            return (self.hall.delay_s,)
        if self.rng.random() < loss:
            return ()
        copies = 2 if self.rng.random() < doubled else 1
        return tuple(self.hall.delay_s + float(self.rng.uniform(0, max_s)) for _ in range(copies))

    # What is done.

    def _say(self, line: str) -> None:
        self.hall.hall.say(line, plan=self.plan)

    def _freeze(self, side: Side) -> None:
        self.hall.hall.frozen.add(side)
        self.hall.hall.run_for(float(self.rng.uniform(0.1, 4.0)))
        self.hall.hall.frozen.clear()

    def _anew(self, parts: Sequence[str]) -> None:
        from_s = self.rng.uniform(8.0, 20.0)
        self.hall.hall.faults = [parse_fault(f"{part}@{from_s:.1f}-{from_s + 10:.1f}") for part in parts]
        self.hall.hall.power_up()

    def _bad_link(self, jitter: tuple[float, float, float]) -> None:
        self.jitter = jitter
        self.hall.hall.run_for(float(self.rng.uniform(0.1, 10.0)))
        self.jitter = (0.0, 0.0, 0.0)

    def bring_back(self) -> None:
        """Do what a player would do next, whatever the state; a refusal is an answer like another."""
        state = self.hall.state
        if state == "IDLE":
            self.hall.hall.board.attend()
        lines = {
            "FAULT": ["clear"],
            "IDLE": ["balls 100", "crank-at-mark", "load a-drill", "arm"],
            "ARMED": ["balls 100", f"start {self.hall.engine.parts.mode.stop_count}"],
            "PAUSED": ["balls 100", "resume"],
            "RESTING": ["ready"],
        }
        for line in lines.get(state, []):
            self._say(line)

    def practise(self, hours: float, progress: Callable[[str], None]) -> Figures:
        """Practise for so many hours and return the figures."""
        hall = self.hall.hall
        began_s, next_hour_s = hall.now_s, hall.now_s + HOUR_S
        names = list(self.acts)
        while hall.now_s < began_s + hours * HOUR_S:
            what = str(self.rng.choice(names))
            self.harms[what] += 1
            self.acts[what]()
            calm_s = hall.now_s + float(self.rng.uniform(5.0, 60.0))
            while hall.now_s < calm_s:
                self.bring_back()
                hall.run_for(LOOK_S)
                self.judge()
            if hall.now_s >= next_hour_s:
                next_hour_s += HOUR_S
                self._measure((hall.now_s - began_s) / HOUR_S)
                progress(self.line())
        self._end((hall.now_s - began_s) / HOUR_S)
        return self.figures

    def judge(self) -> None:
        """Hold what came since the last time against what must hold, and forget it."""
        hall, found = self.hall, self.figures
        for event in hall.log:
            self.watch.take(event)
            found.pushed += event["event"] == "feed"
            found.left += event["event"] == "leaves"
        hall.log.clear()
        found.problems += self.watch.found
        self.watch.found.clear()
        if len(hall.setpoints) > 50 * KEPT:
            limits, offset_s = hall.engine.parts.link.limits, hall.hall.driver_offset_s
            found.problems += setpoints.breaches(hall.setpoints, hall.errors_s, hall.orders, limits, offset_s)
            for kept in (hall.setpoints, hall.errors_s, hall.sent_in):
                del kept[:-KEPT]
            del hall.orders[:-KEPT]
        hall.hall.events.clear()

    def _measure(self, hours: float) -> None:
        gc.collect()
        memory_kb, handles = held_by(os.getpid())
        self.figures.hours = round(hours, 2)
        self.figures.memory_kb.append(memory_kb)
        self.figures.handles.append(handles)
        self.figures.objects.append(len(gc.get_objects()))
        self.figures.harms, self.figures.faults = dict(self.harms), dict(self.faults)

    def _end(self, hours: float) -> None:
        found = self.figures
        self._say("stop")
        self.hall.hall.run_for(3.0)
        self.judge()
        self._measure(hours)
        self.journal.end()
        self.journal.join(JOURNAL_S)
        with contextlib.closing(open_to_read(self.journal.path)) as connection:
            rows = connection.execute("SELECT outcome, count(*), sum(seen) FROM throws GROUP BY outcome").fetchall()
        written = {outcome: count for outcome, count, _ in rows}
        found.written = written.get("fed", 0)
        found.seen = sum(seen or 0 for _, _, seen in rows)
        told = snapshot(self.hall.engine.parts, self.hall.hall.now_s).state
        wanted = {
            f"journal: {found.written} fed, told {found.commanded}": found.written == found.commanded,
            f"journal: {written.get('unknown', 0)} unknown, told {found.unknown}": written.get("unknown", 0)
            == found.unknown,
            f"{found.pushed} pushed, {found.commanded} fed and {found.unknown} unknown by the daemon": found.commanded
            <= found.pushed
            <= found.commanded + found.unknown,
            f"the journal lost {self.journal.lost} entries": self.journal.lost == 0,
            f"no ball fed in {found.hours} h": found.pushed > 0,
            f"memory from {found.memory_kb[0]} to {found.memory_kb[-1]} kB": found.memory_kb[-1] - found.memory_kb[0]
            <= MAX_MEMORY_KB,
            f"file handles from {found.handles[0]} to {found.handles[-1]}": found.handles[-1] <= found.handles[0],
            f"in the end {told}": told in ("IDLE", "STOPPING", "FAULT", "QUICKSTOP", "OFFLINE"),
        }
        found.problems += [text for text, held in wanted.items() if not held]

    def line(self) -> str:
        """Return the figures so far as one line."""
        found = self.figures
        return (
            f"{found.hours:5.1f} h, {found.pushed} pushed, {found.commanded} fed and {found.unknown} unknown by the "
            f"daemon, {len(found.problems)} wrong, {found.memory_kb[-1]} kB, {found.handles[-1]} handles, "
            f"{found.objects[-1]} objects"
        )


def main(argv: Sequence[str] | None = None) -> int:
    """Practise, print the figures, and exit 0 only if all held."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--hours", type=float, default=10.0)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--machine", default="club-build")
    parser.add_argument("--json", action="store_true")
    args = parser.parse_args(argv)
    began_s = time.monotonic()

    def progress(line: str) -> None:
        print(f"{line}, {time.monotonic() - began_s:.0f} s", file=sys.stderr, flush=True)

    with tempfile.TemporaryDirectory(prefix="drillfeed-long-") as folder:
        practice = LongPractice(args.machine, args.seed, Path(folder))
        found = practice.practise(args.hours, progress)
    if args.json:
        told: dict[str, Any] = asdict(found)
        print(json.dumps(told))
    else:
        print(practice.line())
        print(f"harm: {found.harms}\nfaults: {found.faults}")
        print(f"{found.seen} seen leaving by the journal, {found.left} left in truth")
        print("\n".join(["WRONG", *found.problems[:20]]) if found.problems else "all held")
    return 1 if found.problems else 0


if __name__ == "__main__":
    sys.exit(main())
