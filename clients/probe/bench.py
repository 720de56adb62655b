"""The daemon's end of a link to a driver under test: frames out, frames in, and what was seen.

Rules of this file: no I/O; time is an argument. The bench sends what a check asks for, errors included, and keeps
everything that came with its time of arrival. It judges nothing.
"""

import json
from collections.abc import Callable
from dataclasses import dataclass
from typing import Literal

from drillfeed.clients.probe.driver_clock import DriverClock
from drillfeed.clients.probe.seen import BallsAsked, Seen
from drillfeed.clients.probe.stalls import Stalls
from drillfeed.clients.probe.steps import Asked, NotReached, Pause
from drillfeed.protocol.frames import BadFrame, decode_from_driver, encode
from drillfeed.protocol.link import (
    LEAD_S,
    TICK_S,
    VALID_S,
    AngleTarget,
    DaemonHello,
    DriverHello,
    Feed,
    Limits,
    Message,
    Order,
    Ping,
    Pong,
    Setpoint,
    Status,
    WheelTarget,
)

PING_EVERY_S = 0.100
WAKES_S = 0.200
SILENT_S = 1.0
MeetsHangUp = Literal["caught", "ignored", "not caught", "unknown"]


@dataclass(frozen=True, slots=True)
class SetpointRequest:
    """What the stream of setpoints asks for, until it is replaced."""

    top_rpm: float = 0.0
    bottom_rpm: float = 0.0
    ramp_rpm_per_s: float = 500.0
    tilt: tuple[float, float] | None = None
    feeding: bool = False
    feeds: tuple[tuple[int, float], ...] = ()
    lead_s: float = LEAD_S
    stay_s: float = VALID_S


class Bench:
    """One driver at the other end. `out` collects (peer, frame); `now` is the time of the newest call.

    A check sets `frozen` or `hung_up`. The caller that has the driver's process acts on it, and sets `meets_hang_up`
    and `gone`.
    """

    def __init__(self, name: str, now: float, can_freeze: bool = False, balls: int = 0) -> None:
        """Begin with nobody at the other end; `name` makes the sessions and numbers of this run differ from other runs.

        `balls` is how many are loaded, as the person at the probe said.
        """
        self.name, self.now, self.can_freeze = name, now, can_freeze
        self.peer: bytes | None = None
        self.hello: DriverHello | None = None
        self.hellos: list[tuple[float, DriverHello]] = []
        self.seen: list[Seen] = []
        self.balls = BallsAsked(self.seen, balls)
        self.clock = DriverClock(name)
        self.pongs: list[tuple[float, Pong]] = []
        self.bad_frames: list[str] = []
        self.boots: list[str] = []
        self.frames_in = 0
        self.out: list[tuple[bytes, bytes]] = []
        self.session: str | None = None
        self.sessions = 0
        self.epoch = self.seq = 0
        self.requested: SetpointRequest | None = None
        self.pinging = False
        self.held: list[bytes] | None = None
        self.frozen = False
        self.hung_up = self.gone = False
        self.meets_hang_up: MeetsHangUp | None = None
        self.stalls = Stalls()
        self._frozen_until_s = float("-inf")
        self._next_ping_s = self._next_setpoint_s = now

    def _goes_on(self, now: float) -> None:
        self.stalls.own_turn(now - self.now)
        self.now = now

    # What comes in.

    def receive(self, peer: bytes, frame: bytes, now: float) -> None:
        """Take a frame from a driver."""
        self._goes_on(now)
        if self.peer is None or (peer != self.peer and self.silent_s > SILENT_S):
            self.peer = peer
        if peer != self.peer:
            return
        self.frames_in += 1
        try:
            message = decode_from_driver(frame)
        except BadFrame as error:
            self.bad_frames.append(f"{error}: {frame[:120].decode(errors='replace')}")
            return
        if isinstance(message, DriverHello):
            self.hello = message
            self.hellos.append((now, message))
            if message.boot not in self.boots:
                self.boots.append(message.boot)
        elif isinstance(message, Pong):
            self.pongs.append((now, message))
            took_s = self.clock.pong(message.n, message.now_s, now)
            if took_s is not None and self.held is None:
                self.stalls.pong(took_s)
        else:
            self.seen.append(Seen(now, message))
            if now < self._frozen_until_s:
                self.stalls.forget()
            self.stalls.status(message.now_s, now)

    @property
    def silent_s(self) -> float:
        """Return how long ago the last status came, in seconds; infinity if none ever came."""
        return self.now - self.seen[-1].at_s if self.seen else float("inf")

    @property
    def status(self) -> Status:
        """Return the newest status."""
        if not self.seen:
            raise NotReached("no status has come from the driver")
        return self.seen[-1].status

    @property
    def driver_hello(self) -> DriverHello:
        """Return the driver's hello."""
        if self.hello is None:
            raise NotReached("no hello has come from the driver")
        return self.hello

    def since(self, at_s: float) -> list[Status]:
        """Return the statuses that came after `at_s`."""
        found: list[Status] = []
        for seen in reversed(self.seen):
            if seen.at_s <= at_s:
                break
            found.append(seen.status)
        return found[::-1]

    @property
    def refused(self) -> int:
        """Return how many messages the driver says it has refused."""
        return max((refusal.n for refusal in self.status.refusals), default=0)

    @property
    def last_refusal(self) -> str:
        """Return the reason of the newest refused message, for people."""
        newest = max(self.status.refusals, key=lambda refusal: refusal.n, default=None)
        return "nothing refused" if newest is None else f"{newest.kind}: {newest.reason}"

    def driver_s(self, now: float | None = None) -> float:
        """Return what the driver's clock shows at `now`."""
        if not self.clock.is_known:
            raise NotReached("the driver answers no ping, so its clock is not known")
        return (self.now if now is None else now) + self.clock.ahead_s

    # What goes out.

    def send(self, message: Message | bytes) -> None:
        """Send a frame; while frames are held back, it waits with them."""
        frame = message if isinstance(message, bytes) else encode(message)
        if self.held is not None:
            self.held.append(frame)
        elif self.peer is not None:
            self.out.append((self.peer, frame))

    def release(self) -> int:
        """Send all frames that were held back; return how many there were."""
        held, self.held = self.held or [], None
        for frame in held:
            self.send(frame)
        return len(held)

    def new_session(self, limits: Limits | None = None, **changes: object) -> DaemonHello:
        """Return the hello of a session that was never used before."""
        self.sessions += 1
        return self.daemon_hello(f"{self.name}-{self.sessions}", limits, **changes)

    def daemon_hello(self, session: str, limits: Limits | None = None, **changes: object) -> DaemonHello:
        """Return a daemon's hello; without `limits` it has those of the driver."""
        taken = limits or self.driver_hello.limits
        fields = {"session": session, "daemon": "probe", "limits": taken, "limits_hash": taken.digest()}
        return DaemonHello.model_validate({**fields, **changes})

    def adopt(self, hello: DaemonHello) -> None:
        """Send a hello and continue in its session."""
        if hello.session != self.session:
            self.session, self.epoch, self.seq = hello.session, 0, 0
        self.send(hello)

    def order(self, kind: str, session: str | None = None, epoch: int | None = None) -> Order:
        """Return an order; by default it is of the current session and epoch."""
        return Order.model_validate(
            {
                "kind": kind,
                "session": session or self.session or f"{self.name}-0",
                "epoch": self.epoch if epoch is None else epoch,
            }
        )

    def new_epoch(self) -> int:
        """Begin a new epoch and return it."""
        self.epoch += 1
        self.seq = 0
        return self.epoch

    def next_id(self) -> int:
        """Return a feed id that was never used before in this run, for a ball of the current session."""
        return self.balls.next_id(self.session)

    def setpoint(self, request: SetpointRequest | None = None, **changes: object) -> Setpoint:
        """Return the next setpoint for a request, by default the current one; `changes` replace fields."""
        asked_for = request or self.requested or SetpointRequest()
        self.seq += 1
        at_s = self.driver_s() + asked_for.lead_s
        setpoint = Setpoint(
            session=self.session or f"{self.name}-0",
            epoch=self.epoch,
            seq=self.seq,
            at_s=at_s,
            until_s=at_s + asked_for.stay_s,
            top=WheelTarget(rpm=asked_for.top_rpm, ramp_rpm_per_s=asked_for.ramp_rpm_per_s),
            bottom=WheelTarget(rpm=asked_for.bottom_rpm, ramp_rpm_per_s=asked_for.ramp_rpm_per_s),
            tilt=None
            if asked_for.tilt is None
            else AngleTarget(deg=asked_for.tilt[0], slew_deg_per_s=asked_for.tilt[1]),
            feeding=asked_for.feeding,
            feeds=tuple(Feed(id=id, at_s=moment_s) for id, moment_s in asked_for.feeds),
        )
        return setpoint.model_copy(update=changes)

    def raw(self, **changes: object) -> bytes:
        """Return the next setpoint as a frame, with fields replaced by any value; `...` leaves a field out."""
        told = json.loads(encode(self.setpoint()))
        told.update(changes)
        return json.dumps({key: value for key, value in told.items() if value is not ...}).encode()

    def advance(self, now: float) -> None:
        """Send what is due: a ping each 100 ms, and a setpoint each 20 ms while something is requested."""
        self._goes_on(now)
        if self.pinging and now >= self._next_ping_s:
            self._next_ping_s = now + PING_EVERY_S
            self.ping()
        if self.requested is not None and self.clock.is_known and now >= self._next_setpoint_s:
            self._next_setpoint_s = max(self._next_setpoint_s + TICK_S, now + TICK_S / 2)
            self.send(self.setpoint())
        if self.frozen:
            # The freeze itself makes pongs and a status under way late, so they must not count as stalls.
            self._frozen_until_s = now + WAKES_S
            self.clock.forget_pings()

    def ping(self) -> int:
        """Send a ping; return its number."""
        n = self.clock.next_ping(self.now)
        self.send(Ping(n=n))
        return n

    # Waiting: a check is a generator. It is resumed each time something may have changed.

    def wait(self, seconds: float) -> Pause:
        """Let time pass."""
        end_s = self.now + seconds
        while self.now < end_s - 1e-9:
            yield

    def until(self, holds: Callable[[], bool], max_s: float) -> Asked:
        """Wait until something holds, for at most `max_s`; return whether it did."""
        end_s = self.now + max_s
        while not holds():
            if self.now >= end_s:
                return False
            yield
        return True
