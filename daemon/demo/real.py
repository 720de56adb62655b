"""The demo in real processes: a daemon, a simulated thrower, and this process as the player.

Rule of this file: an interrupt is a stop first, and so are SIGTERM and a hang-up.
"""

import json
import signal
import tempfile
import time
from collections.abc import Callable, Iterator
from pathlib import Path

from drillfeed.clients.find import NoDaemon
from drillfeed.clients.lines import Client
from drillfeed.daemon.demo.account import Account
from drillfeed.daemon.demo.choice import Choice
from drillfeed.daemon.demo.processes import READY_S, Pair, running_pair
from drillfeed.daemon.shell.logs import tell
from drillfeed.protocol.lines import Reply
from drillfeed.protocol.status import Snapshot, State
from drillfeed.protocol.texts.catalogue import text

PATIENCE_S = 20.0
DONE: frozenset[State] = frozenset({"ARMED", "IDLE", "FAULT", "OFFLINE"})


class LogTail:
    """Reads what has been added to the driver's log."""

    def __init__(self, path: Path) -> None:
        self._path, self._kept, self._place = path, b"", 0

    def events(self) -> Iterator[dict[str, object]]:
        """Yield the events that are new."""
        if not self._path.exists():
            return
        with self._path.open("rb") as file:
            file.seek(self._place)
            data = file.read()
        self._place += len(data)
        *lines, self._kept = (self._kept + data).split(b"\n")
        for line in lines:
            yield json.loads(line)


def until_ready(client: Client) -> Snapshot:
    """Wait until the driver is there, at rest, and its clock known; return the last status."""
    end_s = time.monotonic() + READY_S
    while True:
        snapshot = client.snapshot()
        known = snapshot.wheels_at_rest is True and snapshot.clock_error_ms is not None and snapshot.clock_error_ms < 10
        if (snapshot.state == "IDLE" and known) or time.monotonic() > end_s:
            return snapshot
        time.sleep(0.2)


def run_real(choice: Choice) -> int:
    """Run the demo and return the exit status."""
    with tempfile.TemporaryDirectory(prefix="drillfeed-demo-") as folder:
        try:
            with running_pair(choice.machine_name, choice.seed, Path(folder)) as pair, pair.client() as client:
                return Player(pair, client, choice, tell).play()
        except NoDaemon as error:
            errors = Path(folder) / "processes.log"
            tell(f"{error}\n{errors.read_text(errors='replace') if errors.exists() else ''}")
            return 1


class Player:
    """Talks to the daemon as a player's client does, and reads the driver's log beside it."""

    def __init__(self, pair: Pair, client: Client, choice: Choice, say: Callable[[str], None]) -> None:
        self.pair, self.client, self.choice, self.say = pair, client, choice, say
        self.account = Account(tell=say, rolls=choice.machine.roll is not None)
        self.tail = LogTail(pair.log)

    def play(self) -> int:
        """Play the whole drill and return the exit status: 0 where every ball was dealt with."""
        try:
            until_ready(self.client)
            if not self._begin():
                return 1
            state = self._until_done()
        except KeyboardInterrupt:
            self.say(text("demo.interrupt"))
            # The interrupt may have come between a line and its reply: a fresh connection is in step.
            self.client.close()
            self.client = self.pair.client()
            self.client.watch("json")
            self.say(self.client.stop().text)
            self._until_done()
            state = "IDLE"
        snapshot = self.client.snapshot()
        self._read_log()
        for line in self.account.summary(snapshot.counts.seen, snapshot.counts.commanded):
            self.say(line)
        return 0 if state == "ARMED" and snapshot.counts.commanded == self.choice.plan.balls else 1

    def _begin(self) -> bool:
        choice, client = self.choice, self.client
        client.watch("json")
        replies = [
            client.balls(choice.machine.hopper.balls),
            client.load(choice.drill_name, seed=choice.seed, balls=choice.balls),
            client.arm(),
        ]
        replies.append(client.start(client.snapshot().stop_count))
        for reply in replies:
            if not reply.ok:
                self.say(text("demo.refused", text=reply.text))
                return False
        return True

    def _until_done(self) -> State:
        """Follow the drill until it has ended; be the player where the rest waits for one."""
        quiet_since_s = time.monotonic()
        while True:
            for told in self.client.notices(0.1):
                quiet_since_s = time.monotonic()
                self.account.daemon_says(told.topic, told.fields, told.text, told.cue)
                if told.topic == "state":
                    break
            self._read_log()
            snapshot = self.client.snapshot()
            if snapshot.state in DONE and time.monotonic() - quiet_since_s > 0.3:
                return snapshot.state
            if snapshot.state == "RESTING" and snapshot.rest_waits:
                self._go_on(self.client.ready)
            elif snapshot.state == "PAUSED" and snapshot.hopper == 0:
                self._go_on(self.client.resume)
            if (
                snapshot.state not in ("RESTING", "SPINUP", "STOPPING")
                and time.monotonic() - quiet_since_s > PATIENCE_S
            ):
                return snapshot.state

    def _go_on(self, way: Callable[[], Reply]) -> None:
        """Do what a person does at the thrower in a rest: fill the hopper, set the crank to its mark; then go on."""
        self.say(text("demo.plays-the-player"))
        self.pair.driver.send_signal(signal.SIGUSR1)
        self.client.balls(self.choice.machine.hopper.balls)
        if self.choice.machine.feeder.kind == "crank-timed":
            self.client.crank_at_mark()
        way()

    def _read_log(self) -> None:
        for event in self.tail.events():
            self.account.driver_logged(event)
