"""A driver core on a board of lists, and a clock that the test moves: what the link tests stand on."""

from dataclasses import dataclass, field, replace

from drillfeed.clients.drivers.adapter import DriverCore
from drillfeed.clients.drivers.board import DriverTraits, Reading
from drillfeed.protocol.frames import decode_from_driver, encode
from drillfeed.protocol.link import (
    AngleLimits,
    AngleTarget,
    Axis,
    DaemonHello,
    Feed,
    Limits,
    Message,
    Order,
    Setpoint,
    Status,
    WheelLimits,
    WheelTarget,
)

WHEEL = WheelLimits(low_rpm=0.0, high_rpm=6000.0, up_rpm_per_s=4000.0, down_rpm_per_s=5000.0, quick_rpm_per_s=8000.0)
LIMITS = Limits(top=WHEEL, bottom=WHEEL, tilt=AngleLimits(low_deg=-30.0, high_deg=60.0, slew_deg_per_s=90.0))
TRAITS = DriverTraits(
    name="a board of lists",
    limits=LIMITS,
    feedback="measured",
    stopping="brake",
    spin_down_s=6.0,
    top_diameter_m=0.060,
    bottom_diameter_m=0.060,
    exit_sensor=True,
    agitator=True,
)
BLIND = replace(TRAITS, feedback="none", exit_sensor=False)
START_S = 100.0
SESSION = "session-1"


@dataclass
class ListBoard:
    """A board whose wheels follow at once; it keeps what it was told, with the time of the reading before."""

    now: float = START_S
    rpm: dict[str, float] = field(default_factory=lambda: {"top": 0.0, "bottom": 0.0})
    deg: dict[str, float] = field(default_factory=dict)
    fed: list[tuple[float, int]] = field(default_factory=list)
    cuts: list[float] = field(default_factory=list)
    agitator: list[tuple[float, bool]] = field(default_factory=list)
    shows: Reading | None = None
    blind: bool = False
    exits: int = 0

    def set_wheel(self, wheel: Axis, rpm: float) -> None:
        self.rpm[wheel] = rpm

    def set_angle(self, axis: Axis, deg: float) -> None:
        self.deg[axis] = deg

    def feed_one(self, id: int) -> None:
        self.fed.append((self.now, id))

    def read(self, now: float) -> Reading:
        self.now = now
        if self.shows is not None:
            return self.shows
        if self.blind:
            return Reading()
        return Reading(top_rpm=self.rpm["top"], bottom_rpm=self.rpm["bottom"], tilt_deg=0.0, exits=self.exits)

    def cut(self) -> None:
        self.cuts.append(self.now)

    def set_agitator(self, on: bool) -> None:
        self.agitator.append((self.now, on))


class Rig:
    """A core, its board, the clock, and everything that the core sent."""

    def __init__(self, traits: DriverTraits = TRAITS, board: ListBoard | None = None) -> None:
        self.board = board or ListBoard(blind=traits.feedback == "none")
        self.now = START_S
        self.log: list[tuple[str, float, dict[str, object]]] = []
        self.core = DriverCore(traits, self.board, "boot-1", self.now, self._note)
        self.sent: list[Message] = []
        self.seq = 0
        self.epoch = 0
        self.limits = traits.limits

    def _note(self, event: str, t: float, /, **what: object) -> None:
        self.log.append((event, t, what))

    def give(self, message: Message | bytes) -> list[Message]:
        """Hand the core one message; return what it answered at once."""
        frame = message if isinstance(message, bytes) else encode(message)
        answers: list[Message] = [decode_from_driver(sent) for sent in self.core.receive(frame, self.now)]
        self.sent.extend(answers)
        return answers

    def tick(self, dt_s: float = 0.005) -> list[Message]:
        """Let `dt_s` pass, then tick once."""
        self.now = round(self.now + dt_s, 6)
        answers: list[Message] = [decode_from_driver(frame) for frame in self.core.tick(self.now)]
        self.sent.extend(answers)
        return answers

    def quiet(self, seconds: float) -> None:
        """Let time pass in ticks of 5 ms with no word from the daemon."""
        for _ in range(round(seconds / 0.005)):
            self.tick()

    def run(self, seconds: float, **what: object) -> None:
        """Let time pass with a setpoint every 20 ms."""
        for step in range(round(seconds / 0.005)):
            if step % 4 == 0:
                self.give(self.setpoint(**what))
            self.tick()

    def hello(self, session: str = SESSION, limits: Limits | None = None, **other: object) -> DaemonHello:
        wanted = limits or self.limits
        words: dict[str, object] = {"session": session, "daemon": "test", "limits": wanted}
        return DaemonHello.model_validate({**words, "limits_hash": wanted.digest(), **other})

    def setpoint(
        self,
        rpm: float = 0.0,
        bottom_rpm: float | None = None,
        feeding: bool = False,
        feeds: tuple[tuple[int, float], ...] = (),
        ahead_s: float = 0.3,
        stay_s: float = 0.3,
        tilt_deg: float | None = None,
        ramp: float = 3000.0,
        agitator: bool = False,
        session: str = SESSION,
        epoch: int | None = None,
        seq: int | None = None,
    ) -> Setpoint:
        """Return the next setpoint; `feeds` are pairs of an id and a moment in seconds of the driver's clock."""
        self.seq += 1
        return Setpoint(
            session=session,
            epoch=self.epoch if epoch is None else epoch,
            seq=self.seq if seq is None else seq,
            at_s=self.now + ahead_s,
            until_s=self.now + ahead_s + stay_s,
            top=WheelTarget(rpm=rpm, ramp_rpm_per_s=ramp),
            bottom=WheelTarget(rpm=rpm if bottom_rpm is None else bottom_rpm, ramp_rpm_per_s=ramp),
            tilt=None if tilt_deg is None else AngleTarget(deg=tilt_deg, slew_deg_per_s=60.0),
            feeding=feeding,
            agitator=agitator,
            feeds=tuple(Feed(id=id, at_s=at_s) for id, at_s in feeds),
        )

    def order(self, kind: str, session: str = SESSION, epoch: int | None = None) -> Order:
        return Order.model_validate({"kind": kind, "session": session, "epoch": self.epoch if epoch is None else epoch})

    def greet(self) -> "Rig":
        """Come to a session, disarmed."""
        self.tick()
        self.give(self.hello())
        return self

    def arm(self) -> "Rig":
        """Come to armed, at rest."""
        self.greet()
        if self.board.blind:
            self.run(self.core.traits.spin_down_s + 0.1)
        self.epoch += 1
        self.give(self.order("arm"))
        assert self.core.mode == "armed", self.core.mode_reason
        return self

    def spin(self, rpm: float = 1500.0, seconds: float = 1.2, **what: object) -> "Rig":
        """Come to armed with the wheels at `rpm` and the feed open."""
        if self.core.mode != "armed":
            self.arm()
        self.run(seconds, rpm=rpm, feeding=True, **what)
        assert self.core.gate.open
        return self

    @property
    def fed(self) -> list[int]:
        return [id for _, id in self.board.fed]

    def status(self) -> Status:
        """Return the status of this instant."""
        self.quiet(0.02)
        return next(message for message in reversed(self.sent) if isinstance(message, Status))

    def reasons(self) -> list[str]:
        """Return the reasons of the messages refused so far."""
        return [str(what["reason"]) for event, _, what in self.log if event == "message_refused"]

    def result(self, id: int) -> tuple[str, str | None] | None:
        """Return result and reason of a feed, as the status tells the first of them."""
        return next(
            ((result.result, result.reason) for result in self.core.gate.ledger.results if result.id == id), None
        )
