"""Daemon and simulated thrower in one process on a virtual clock: the shipped engine, link and driver code.

Rule of this file: no wall clock. Time advances in steps of the driver's tick. `carry` says how frames cross; by
default all of them arrive, in order, after the same delay. It joins daemon and clients, as `app.py` does.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from heapq import heappop, heappush
from itertools import count
from typing import Literal

import numpy as np

from drillfeed.clients.drivers.adapter import DriverCore
from drillfeed.clients.drivers.board import Note, forget
from drillfeed.clients.drivers.faults import Fault
from drillfeed.daemon.boards import simulated_thrower
from drillfeed.daemon.engine.engine import Engine
from drillfeed.daemon.engine.events import Event
from drillfeed.daemon.engine.request import ChosenPlayer, Request
from drillfeed.daemon.engine.wording import Worded, worded
from drillfeed.daemon.machine import Machine
from drillfeed.daemon.planning.plan import DrillPlan
from drillfeed.protocol.commands import parse
from drillfeed.protocol.lines import Reply
from drillfeed.protocol.link import TICK_S
from drillfeed.protocol.spec import Caller

DRIVER_TICK_S = 0.005
PEER = b"driver"
PLAYER = Caller("player", "player", "here", here=True)
Side = Literal["driver", "daemon"]
Carry = Callable[[Side, bytes, float], Sequence[float]]
"""Takes the receiver, the frame and its sending time; returns the delay of each copy in s, none if it is lost."""


@dataclass
class Simulation:
    """A simulated thrower and the engine that drives it. `events` collects the engine's events.

    A side in `frozen` does nothing until it is taken out again; then it finds the frames that arrived meanwhile.
    `slept_s` is how long the computer of each side has slept, which `now_s` doesn't count.
    """

    machine: Machine
    seed: int = 0
    delay_s: float = 0.001
    driver_offset_s: float = 1000.0
    note: Note = forget
    now_s: float = 10.0
    events: list[Worded] = field(default_factory=list)
    replies: dict[int, Reply] = field(default_factory=dict)
    on_event: Callable[[Event], None] = lambda event: None
    carry: Carry | None = None
    faults: Sequence[Fault] = ()
    frozen: set[Side] = field(default_factory=set)
    slept_s: dict[Side, float] = field(default_factory=lambda: {"driver": 0.0, "daemon": 0.0})

    def __post_init__(self) -> None:
        self.engine = Engine(self.machine, "virtual-hall", self.now_s)
        self._on_way: dict[Side, list[tuple[float, int, bytes]]] = {"driver": [], "daemon": []}
        self._tokens = count(1)
        self._serials = count()
        self._next_tick_s = self.now_s
        self.power_up()

    def power_up(self) -> None:
        """Start the driver anew, with a new boot id."""
        rng = np.random.default_rng(self.seed)
        self.board = simulated_thrower(self.machine, rng, self.driver_s, self.note, list(self.faults))
        boot = f"boot-{next(self._tokens):06d}"
        self.core = DriverCore(self.board.traits.driver, self.board, boot=boot, now=self.driver_s, note=self.note)

    @property
    def driver_s(self) -> float:
        """Return the driver's clock."""
        return self.now_s + self.driver_offset_s

    def step(self) -> None:
        """Advance by one tick of the driver."""
        self.now_s = round(self.now_s + DRIVER_TICK_S, 9)
        if "driver" not in self.frozen:
            for at_s, frame in self._arrived("driver"):
                self._send(
                    "daemon", self.core.receive(frame, at_s + self.driver_offset_s, self.slept_s["driver"]), at_s
                )
            self._send("daemon", self.core.tick(self.driver_s, self.slept_s["driver"]), self.now_s)
        if "daemon" not in self.frozen:
            for at_s, frame in self._arrived("daemon"):
                self.engine.receive(PEER, frame, at_s)
                self._collect(at_s)
            if self.now_s >= self._next_tick_s:
                self._next_tick_s = self.now_s + TICK_S - 1e-9
                self.engine.advance(self.now_s, self.slept_s["daemon"])
                self._collect(self.now_s)

    def _send(self, to: Side, frames: Sequence[bytes], now_s: float) -> None:
        for frame in frames:
            for delay_s in (self.delay_s,) if self.carry is None else self.carry(to, frame, now_s):
                heappush(self._on_way[to], (now_s + delay_s, next(self._serials), frame))

    def _arrived(self, side: Side) -> list[tuple[float, bytes]]:
        """Return the frames that have arrived, each with the time it is read: on arrival, or on waking."""
        queue, arrived = self._on_way[side], []
        awake_s = self.now_s - DRIVER_TICK_S
        while queue and queue[0][0] <= self.now_s:
            due_s, _, frame = heappop(queue)
            arrived.append((due_s if due_s > awake_s else self.now_s, frame))
        return arrived

    def _collect(self, now_s: float) -> None:
        self._send("driver", [frame for _, frame in self.engine.take_frames()], now_s)
        effects = self.engine.take_effects()
        self.replies.update(effects.replies)
        self.events += map(worded, effects.events)
        for event in effects.events:
            self.on_event(event)

    def run_until(self, done: Callable[[], bool], max_s: float = 60.0) -> bool:
        """Advance until `done()`, for at most `max_s`; return whether it was done."""
        end_s = self.now_s + max_s
        while not done():
            if self.now_s >= end_s:
                return False
            self.step()
        return True

    def run_for(self, seconds: float) -> None:
        """Advance by so many seconds."""
        self.run_until(lambda: False, seconds)

    def say(
        self, line: str, caller: Caller = PLAYER, plan: DrillPlan | None = None, base: DrillPlan | None = None,
        player: ChosenPlayer | None = None,
    ) -> Reply:  # fmt: skip
        """Give a command line, with what the desk would add to it, and advance until it is answered."""
        token = next(self._tokens)
        command = parse(line)
        if command.verb == "stop":
            self.engine.stop(caller, token, self.now_s)
        else:
            self.engine.command(Request(command, caller, token, plan, base, player), self.now_s)
        self._collect(self.now_s)
        self.run_until(lambda: token in self.replies, 10.0)
        return self.replies.pop(token)

    def until_state(self, *states: str, max_s: float = 60.0) -> bool:
        """Advance until the engine is in one of the states."""
        return self.run_until(lambda: self.engine.state in states, max_s)

    def start(self, plan: DrillPlan, balls: int | None = None) -> Reply:
        """Bring a drill from power-up to its start."""
        self.until_state("IDLE")
        self.run_until(lambda: self.engine.parts.at_rest(self.now_s)[0] is True, 60.0)
        if balls is not None:
            self.say(f"balls {balls}")
        for line, given in ((f"load {plan.drill.name}", plan), ("arm", None)):
            reply = self.say(line, plan=given)
            if not reply.ok:
                return reply
        return self.say(f"start {self.engine.parts.mode.stop_count}")
