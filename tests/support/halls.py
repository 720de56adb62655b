"""Small drills, and a hall on the virtual clock that is watched: its driver's log, and every frame on the wire."""

from collections.abc import Sequence
from dataclasses import dataclass, field
from functools import cache
from typing import Any

from drillfeed.clients.drivers.faults import parse_fault
from drillfeed.daemon.drills.balls import BallType
from drillfeed.daemon.drills.drill import Drill, FixedSequence, Set
from drillfeed.daemon.library.loading import load_balls, load_machine
from drillfeed.daemon.machine import Machine
from drillfeed.daemon.planning.plan import DrillPlan, plan_drill
from drillfeed.daemon.simulation import Side, Simulation
from drillfeed.protocol.frames import decode_from_daemon
from drillfeed.protocol.link import Order, Setpoint
from tests.support import driver_log, setpoints
from tests.support.driver_log import keep_log

CLUB_BALLS = ("light-topspin", "heavy-push", "rally-topspin")
KIT_BALLS = ("no-spin-steady", "gentle-topspin")


@cache
def machine(name: str = "club-build") -> Machine:
    """Return a machine profile that is shipped."""
    return load_machine(name)


@cache
def ball_types() -> dict[str, BallType]:
    """Return the ball types that are shipped."""
    return dict(load_balls(None))


def drill_plan(
    on: Machine | None = None,
    sets: Sequence[int] = (4,),
    rest_s: float | None = None,
    start_delay_s: float = 5.0,
    max_minutes: float = 30.0,
    balls: Sequence[str] | None = None,
) -> DrillPlan:
    """Return the plan of a drill of sets of so many balls, in a fixed order."""
    on = on or machine()
    names = tuple(balls or (CLUB_BALLS if on.sensors.speed_feedback else KIT_BALLS))
    drill = Drill(
        name="a-drill",
        title="a drill",
        level="club",
        tempo_per_min=60.0 if on.sensors.speed_feedback else 40.0,
        start_delay_s=start_delay_s,
        resume_delay_s=3.0,
        max_minutes=max_minutes,
        set=tuple(Set(balls=count, rest_s=rest_s, sequence=FixedSequence(kind="fixed", balls=names)) for count in sets),
    )
    return plan_drill(drill, ball_types(), on, seed=1)


@dataclass
class WatchedHall:
    """A hall, its driver's log, and the setpoints and orders that its daemon sent."""

    on: Machine = field(default_factory=machine)
    delay_s: float = 0.001
    seed: int = 0
    faults: tuple[str, ...] = ()

    def __post_init__(self) -> None:
        self.log: list[dict[str, Any]] = []
        self.setpoints: list[tuple[float, Setpoint]] = []
        self.errors_s: list[float] = []
        self.sent_in: list[tuple[str, Setpoint]] = []
        self.orders: list[tuple[float, Order]] = []
        bent = [parse_fault(text) for text in self.faults]
        self.hall = Simulation(self.on, seed=self.seed, note=keep_log(self.log), carry=self._carry, faults=bent)
        self.engine = self.hall.engine
        self.lost = False

    def _carry(self, to: Side, frame: bytes, now_s: float) -> tuple[float, ...]:
        if to == "driver":
            message = decode_from_daemon(frame)
            if isinstance(message, Setpoint):
                self.setpoints.append((now_s, message))
                line = self.engine.parts.link.line
                self.errors_s.append(line.error_s if line else 0.0)
                self.sent_in.append((self.state, message))
            elif isinstance(message, Order):
                self.orders.append((now_s, message))
        return self.delays(to, frame)

    def delays(self, to: Side, frame: bytes) -> tuple[float, ...]:
        """Return how long the copies of a frame are on their way; a test may put another function in its place."""
        return () if self.lost else (self.delay_s,)

    def ready(self) -> "WatchedHall":
        """Go on until the daemon is idle, the clock known and the wheels known to stand."""
        assert self.hall.until_state("IDLE")
        assert self.hall.run_until(lambda: self.engine.parts.at_rest(self.hall.now_s)[0] is True)
        assert self.hall.run_until(lambda: self.engine.parts.link.line is not None)
        self.hall.run_for(0.2)
        return self

    def armed(self, plan: DrillPlan | None = None) -> "WatchedHall":
        """Go on until a drill is loaded and the thrower armed."""
        self.ready()
        self.ok("load a-drill", plan or drill_plan(self.on))
        self.ok("arm")
        return self

    def started(self, plan: DrillPlan | None = None) -> "WatchedHall":
        """Go on until a drill counts down."""
        self.armed(plan)
        self.ok(f"start {self.engine.parts.mode.stop_count}")
        return self

    def feeding(self, plan: DrillPlan | None = None, fed: int = 1) -> "WatchedHall":
        """Go on until so many balls have been fed."""
        self.started(plan)
        assert self.hall.run_until(lambda: self.commanded >= fed, 60.0)
        return self

    def ok(self, line: str, plan: DrillPlan | None = None) -> str:
        """Give a command that must be accepted; return its answer."""
        reply = self.hall.say(line, plan=plan)
        assert reply.ok, f"{line}: {reply.text}"
        return reply.text

    def refused(self, line: str) -> str:
        """Give a command that must be refused; return the name of its code."""
        reply = self.hall.say(line)
        assert not reply.ok and reply.code is not None, f"{line}: {reply.text}"
        return reply.code.name

    @property
    def state(self) -> str:
        """Return the daemon's state."""
        return self.engine.state

    @property
    def commanded(self) -> int:
        """Return how many balls were fed as the daemon counts."""
        return self.engine.parts.practice.run.commanded if self.engine.parts.practice.run else 0

    def told(self, topic: str) -> list[str]:
        """Return the texts told under a topic so far."""
        return [event.text for event in self.hall.events if event.topic == topic]

    def feeds(self) -> list[dict[str, Any]]:
        """Return the actuations in the driver's log."""
        return [event for event in self.log if event["event"] == "feed"]

    def sound(self) -> None:
        """Hold the driver's log and every setpoint against what must hold whatever happens."""
        limits = self.engine.parts.link.limits
        found = [
            *driver_log.breaches(self.log, self.on.limits()),
            *setpoints.breaches(self.setpoints, self.errors_s, self.orders, limits, self.hall.driver_offset_s),
        ]
        assert not found, "\n".join(found)
