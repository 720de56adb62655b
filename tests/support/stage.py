"""A stage for replays: the desk, the journal and the engine as shipped, a simulated thrower, and a virtual clock.

A script is a record. Its lines that begin with `>` are typed: the second, who types, and the line. All others
are what came of it: replies in full, and what watchers are told. Playing a script gives its record again, to the
letter. Where `foot` types `down` or `up`, that is the contact of a foot switch; what it asks for is written below it.
"""

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any, Literal, cast

from drillfeed.clients.pedal.foot import Edge, Foot, FootAction
from drillfeed.daemon.engine.effects import Effects
from drillfeed.daemon.engine.events import Event
from drillfeed.daemon.engine.request import Request
from drillfeed.daemon.engine.snapshot import snapshot
from drillfeed.daemon.engine.wording import worded
from drillfeed.daemon.journal.entries import EventEntry
from drillfeed.daemon.journal.limits import Limits
from drillfeed.daemon.journal.writer import Journal
from drillfeed.daemon.library.loading import load_machine
from drillfeed.daemon.shell.control import ControlLoop
from drillfeed.daemon.shell.desk import Desk
from drillfeed.daemon.shell.practice import Practice
from drillfeed.daemon.simulation import Simulation
from drillfeed.protocol.commands import check_role, line_of, parse
from drillfeed.protocol.errors import Refused
from drillfeed.protocol.lines import Reply, refusal
from drillfeed.protocol.spec import Caller, Role
from drillfeed.protocol.status import Snapshot

SATURDAY = datetime(2026, 3, 7, 10, 0)
SETTLED_S = 30.0  # by when the simulated thrower is known to stand and its clock is known
UNTOLD = ("countdown",)
FOOT_LOOKS_S = 0.2  # how often the client of a foot switch asks for the state
Kind = Literal["down", "up"]


class AtOnce:
    """Stands in for the desk's own thread: on a virtual clock planning takes no time."""

    def submit(self, work: Callable[[], object]) -> None:
        work()

    def end(self, within_s: float) -> None:
        """Nothing runs."""


class VirtualControl:
    """Stands in for the control thread: the hall's engine, asked between two steps."""

    def __init__(self, hall: Simulation) -> None:
        self.hall, self.engine = hall, hall.engine

    def stop(self, caller: Caller, token: int) -> None:
        self.engine.stop(caller, token, self.hall.now_s)
        self.hall._collect(self.hall.now_s)

    def post(self, request: Request) -> None:
        self.engine.command(request, self.hall.now_s)
        self.hall._collect(self.hall.now_s)

    @property
    def snapshot(self) -> Snapshot:
        return snapshot(self.engine.parts, self.hall.now_s)


class Replies:
    """Stands in for the hall's own box of replies: hands them to the desk at once."""

    def __init__(self, desk: Desk) -> None:
        self.desk = desk

    def update(self, replies: list[tuple[int, Reply]]) -> None:
        self.desk.deliver(Effects(replies=replies))


@dataclass(frozen=True)
class Typed:
    """One line of a script: when, who, what."""

    at_s: float
    role: Role | Literal["foot"]
    line: str


def typed_lines(script: str) -> Iterator[Typed]:
    """Read what is typed in a script."""
    for line in script.splitlines():
        if line.startswith(">"):
            at, role, text = line[1:].split(maxsplit=2)
            yield Typed(float(at), cast(Role, role.removesuffix(":")), text)


class Stage:
    """One hall with a desk and a journal in front of it. Second 0 is a Saturday at ten, the thrower known to stand."""

    def __init__(self, folder: Path, machine: str = "club-build") -> None:
        self.hall = Simulation(load_machine(machine))
        self.hall.run_for(SETTLED_S)
        self.began_s = self.hall.now_s
        self.record: list[str] = []
        self.desk = Desk(self.hall.machine, None, lambda: 7)
        self.desk._aside.end(0.0)
        self.desk._aside = cast(Any, AtOnce())
        self.desk.control = cast(ControlLoop, VirtualControl(self.hall))
        self.journal = Journal(folder / "journal.sqlite", machine, "replay", wall_of=self.wall_of)
        self.desk.practice = Practice(self.hall.machine, folder, self.journal, Limits())
        self.desk.practice.clock = self.desk.clock = lambda: self.hall.now_s
        self.desk.practice.today = lambda: SATURDAY + timedelta(seconds=self.hall.now_s - self.began_s)
        self.desk.record_command = self.journal.note
        self.desk.record = self._record
        self.hall.replies = cast(dict[int, Reply], Replies(self.desk))
        self.foot = Foot()
        self.foot.edge(Edge(self.hall.now_s, "found up"))
        self._foot_looked_s = float("-inf")
        self.hall.on_event = lambda event: self.desk.deliver(Effects(events=[event]))
        self.journal.start()

    def wall_of(self, at_s: float) -> float:
        return SATURDAY.timestamp() + at_s - self.began_s

    def close(self) -> None:
        self.journal.end()
        self.journal.join(10.0)

    def say(self, typed: Typed) -> None:
        """Go on to the line's moment, type it, and write down what is answered, now or later."""
        self.go_on_to(typed.at_s)
        self.record.append(f"> {typed.at_s:.2f} {typed.role}: {typed.line}")
        if typed.role == "foot":
            self._act(self.foot.edge(Edge(self.hall.now_s, cast(Kind, typed.line))))
        else:
            self._give(typed.line, Caller(typed.role, typed.role, "here", here=True))

    def _give(self, line: str, caller: Caller) -> None:
        command = None
        try:
            command = parse(line)
            check_role(command, caller)
        except Refused as refused:
            reply = refusal("", refused)
            if command is not None:
                self.desk.note(command, caller, reply)
            self._answered(reply)
            return
        if command.verb == "stop":
            self.desk.stop(caller, self._answered)
        else:
            self.desk.submit(command, caller, self._answered)

    def go_on_to(self, at_s: float) -> None:
        def there() -> bool:
            self._stand_by()
            return self.hall.now_s - self.began_s >= at_s - 1e-9

        self.hall.run_until(there, 7200.0)

    def _stand_by(self) -> None:
        """Let the client of the foot switch look at the state and at its clock."""
        now_s = self.hall.now_s
        if now_s - self._foot_looked_s >= FOOT_LOOKS_S:
            self._foot_looked_s = now_s
            self.foot.see(self.desk.snapshot(), now_s)
        self._act(self.foot.tick(now_s))

    def _act(self, actions: list[FootAction]) -> None:
        for action in actions:
            line = "stop" if action.stop else line_of(action.command) if action.command is not None else ""
            self.record.append(f"{self._now()}foot: {line or action.told}")
            if line:
                self._give(line, Caller("player", "the foot switch", "here", here=True))

    def _now(self) -> str:
        return f"  {self.hall.now_s - self.began_s:.2f} "

    def _answered(self, reply: Reply) -> None:
        self.record += [f"{self._now()}| {line}".rstrip() for line in reply.data]
        word = f"done {reply.verb}" if reply.code is None else f"no {reply.code.number} {reply.code.name}"
        self.record.append(f"{self._now()}{word} {reply.text}".rstrip())

    def _record(self, event: Event) -> None:
        self.journal.note(EventEntry(event))
        told = worded(event)
        if told.topic not in UNTOLD:
            cue = f" [{told.cue}]" if told.cue else ""
            self.record.append(f"{self._now()}! {told.topic} {told.text}{cue}")


def play(script: str, folder: Path) -> str:
    """Play a script and return its record; remarks at its head are kept."""
    head = [line for line in script.splitlines() if line.startswith("#")]
    stage = Stage(folder)
    try:
        for typed in typed_lines(script):
            stage.say(typed)
    finally:
        stage.close()
    return "\n".join([*head, *stage.record]) + "\n"
