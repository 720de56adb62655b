"""What a driver reports: its hello, its status every 20 ms and at once on a change, balls seen leaving, refusals.

Rule of this file: nothing is reported as more certain than it is. A refused message is listed within one status
period, never in a frame of its own, so that a flood is not answered with a flood.
"""

from collections import deque
from typing import Literal, NamedTuple

from drillfeed.clients.drivers.board import DriverTraits, Reading
from drillfeed.clients.drivers.outputs import Outputs, finite
from drillfeed.protocol.frames import encode
from drillfeed.protocol.link import TICK_S, DriverFault, DriverHello, Exit, FeedResult, MessageRefusal, Status

Mode = Literal["disarmed", "armed", "stopping", "tripped"]

HELLO_S = 1.0
KEEP_EXITS = 16
KEEP_REFUSALS = 8
FAULTS_MAX = 16
EXITS_MAX = 10**12
EPSILON_S = 1e-6


class Condition(NamedTuple):
    """What is reported at once when it changes."""

    mode: Mode
    mode_reason: str | None
    feeding: bool
    agitator: bool
    session: str | None
    epoch: int
    limits_hash: str | None
    results: tuple[FeedResult, ...]


class Heartbeat(NamedTuple):
    """The newest accepted setpoint: its seq in this epoch, and when it was accepted."""

    seq: int | None
    accepted_s: float | None


class Reporter:
    """When the next status and hello are due, and the lists that a status carries."""

    def __init__(self, traits: DriverTraits, boot: str, outputs: Outputs, now: float) -> None:
        """Begin with a hello due at once."""
        self.traits, self.boot, self.outputs = traits, boot, outputs
        self.reading = Reading()
        self.exits: deque[Exit] = deque(maxlen=KEEP_EXITS)
        self.refusals: deque[MessageRefusal] = deque(maxlen=KEEP_REFUSALS)
        self._refused = 0
        self._heard_s = now - HELLO_S
        self._hello_s = now - HELLO_S
        self._status_s = now
        self._sample_s = now
        self._told: tuple[object, ...] = ()

    @property
    def exit_count(self) -> int | None:
        """Return how many balls the exit sensor has seen; None without one."""
        return self.exits[-1].n if self.exits else (0 if self.traits.exit_sensor else None)

    def heard(self, now: float) -> None:
        """Note that something of this session came."""
        self._heard_s = now

    def see(self, reading: Reading, now: float) -> None:
        """Note balls that left since the last reading."""
        self.reading = reading
        if reading.exits is None or not self.traits.exit_sensor or reading.exits > EXITS_MAX:
            return
        known = self.exits[-1].n if self.exits else 0
        for n in range(max(known, reading.exits - KEEP_EXITS) + 1, reading.exits + 1):
            at_s = finite(reading.exit_at_s) if n == reading.exits else None
            self.exits.append(Exit(n=n, at_s=max(now if at_s is None else at_s, 0.0)))

    def refused(self, kind: str, reason: str) -> None:
        """Note a message that was refused."""
        self._refused += 1
        self.refusals.append(MessageRefusal(n=self._refused, kind=kind, reason=reason[:200]))

    def sample_due(self, now: float) -> bool:
        """Tell, once every 20 ms, that a sample of the wheels is due for the log."""
        if now < self._sample_s - EPSILON_S:
            return False
        self._sample_s = _after(self._sample_s, now)
        return True

    def hello(self, now: float) -> bytes:
        """Return the driver's hello."""
        self._hello_s = now
        traits = self.traits
        return encode(
            DriverHello(
                driver=traits.name,
                boot=self.boot,
                now_s=max(now, 0.0),
                limits=traits.limits,
                feedback=traits.feedback,
                stopping=traits.stopping,
                spin_down_s=traits.spin_down_s,
                exit_sensor=traits.exit_sensor,
                agitator=traits.agitator,
                simulated=traits.simulated,
            )
        )

    def due(self, condition: Condition, beat: Heartbeat, now: float) -> list[bytes]:
        """Return the frames that are due: a hello each second while nothing of a session is heard, and the status."""
        frames = []
        quiet = condition.session is None or now - self._heard_s >= HELLO_S
        if quiet and now - self._hello_s >= HELLO_S:
            frames.append(self.hello(now))
        if now >= self._status_s - EPSILON_S or self._state(condition) != self._told:
            frames.append(self.status(condition, beat, now))
        return frames

    def changes(self, condition: Condition, beat: Heartbeat, now: float) -> list[bytes]:
        """Return a status if something changed that is reported at once."""
        return [self.status(condition, beat, now)] if self._state(condition) != self._told else []

    def _state(self, condition: Condition) -> tuple[object, ...]:
        return condition, self.exits[-1] if self.exits else None, self.reading.faults, self.reading.hopper

    def status(self, condition: Condition, beat: Heartbeat, now: float) -> bytes:
        """Return the status of this instant."""
        self._told = self._state(condition)
        if now >= self._status_s - EPSILON_S:
            self._status_s = _after(self._status_s, now)
        outputs, reading = self.outputs, self.reading
        rest, how = outputs.at_rest(now)
        return encode(
            Status(
                boot=self.boot,
                now_s=max(now, 0.0),
                session=condition.session,
                limits_hash=condition.limits_hash,
                epoch=condition.epoch,
                seq=beat.seq,
                mode=condition.mode,
                mode_reason=condition.mode_reason,
                feeding=condition.feeding,
                agitator=condition.agitator,
                top=outputs.wheel_state("top"),
                bottom=outputs.wheel_state("bottom"),
                tilt=outputs.angle_state("tilt"),
                pan=outputs.angle_state("pan"),
                roll=outputs.angle_state("roll"),
                at_rest=rest,
                rest_known=how,
                feeds=condition.results,
                exits=tuple(self.exits),
                faults=self._faults(),
                refusals=tuple(self.refusals),
                supply_v=finite(reading.supply_v),
                hopper=reading.hopper,
                watchdog_age_ms=None if beat.accepted_s is None else max(0.0, now - beat.accepted_s) * 1000,
            )
        )

    def _faults(self) -> tuple[DriverFault, ...]:
        reading = self.reading
        faults = [DriverFault(part=part[:200], what=what[:200]) for part, what in reading.faults]
        if self.traits.feedback == "measured":
            for part, value in (("top", reading.top_rpm), ("bottom", reading.bottom_rpm)):
                if finite(value) is None:
                    faults.append(DriverFault(part=part, what="speed not readable"))
        return tuple(faults[:FAULTS_MAX])


def _after(due_s: float, now: float) -> float:
    """Return the next moment of a 20 ms beat that was due at `due_s`; a late beat starts again from `now`."""
    return due_s + TICK_S if due_s + TICK_S > now else now + TICK_S
