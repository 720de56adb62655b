"""The driver's side of the link: sessions, epochs, time, watchdog, feeds and modes, over any `Board`. No I/O.

    core = DriverCore(traits, board, boot="5f0c...", now=clock())
    frames_to_send = core.receive(frame, now)      # for each frame that came
    frames_to_send = core.tick(now)                # every 5 ms or more often

Rules of this file: the driver's own watchdog is checked first, each time; a message is taken whole or not at
all; an output never jumps; what is off stays off until somebody with the current session asks for it again.
Clause numbers are those of LINK.md.
"""

from collections import deque

from drillfeed.clients.drivers.board import Board, DriverTraits, Note, Reading, forget
from drillfeed.clients.drivers.feed_gate import FeedGate
from drillfeed.clients.drivers.modes import STOP_KINDS, Modes, stop_kind
from drillfeed.clients.drivers.outputs import Outputs
from drillfeed.clients.drivers.report import Condition, Heartbeat, Mode, Reporter
from drillfeed.clients.drivers.rules import hello_error, limits_beyond, setpoint_error
from drillfeed.clients.drivers.targets import TargetQueue
from drillfeed.protocol.frames import BadFrame, decode_from_daemon, encode
from drillfeed.protocol.link import (
    WATCHDOG_FEED_S,
    WATCHDOG_STOP_S,
    DaemonHello,
    Order,
    Ping,
    Pong,
    Setpoint,
)
from drillfeed.protocol.sleep import MACHINE_SLEPT, SleepWatch

DRIVER_TICK_S = 0.005
SESSIONS_REMEMBERED = 16


class DriverCore:
    """One driver on one board, in one thread; `now` is seconds on a monotonic clock of the driver's own."""

    def __init__(self, traits: DriverTraits, board: Board, boot: str, now: float, note: Note = forget) -> None:
        """Begin disarmed, with no session and all outputs at zero."""
        self.traits, self.board, self.note = traits, board, note
        self.session: str | None = None
        self.epoch = 0
        self.seq: int | None = None
        self.limits = traits.limits
        self.limits_hash: str | None = None
        self.accepted_s: float | None = None
        self.queue = TargetQueue()
        self.outputs = Outputs(traits, now)
        self.gate = FeedGate(traits, board, self.outputs, note)
        self.report = Reporter(traits, boot, self.outputs, now)
        self.modes = Modes(traits, board, self.outputs, self.gate, self.queue, self.report, note)
        self._misfits: tuple[str, ...] = ()
        self._past_sessions: deque[str] = deque(maxlen=SESSIONS_REMEMBERED)
        self._watch_from_s = now
        self._watchdog_feed_s, self._watchdog_stop_s = WATCHDOG_FEED_S, WATCHDOG_STOP_S
        self._first_tick = True
        self._sleep = SleepWatch()
        note("boot", now, driver=traits.name, boot=boot, feedback=traits.feedback, simulated=traits.simulated)

    @property
    def mode(self) -> Mode:
        """Return the mode."""
        return self.modes.mode

    @property
    def mode_reason(self) -> str | None:
        """Return why it is in this mode, for people."""
        return self.modes.reason

    # What comes in.

    def receive(self, frame: bytes, now: float, asleep_s: float = 0.0) -> list[bytes]:
        """Take one frame from the daemon; return the frames to send back at once.

        `asleep_s` is how long the computer has slept in all; `now` does not count that time.
        """
        self._watch(now, asleep_s)
        try:
            message = decode_from_daemon(frame)
        except BadFrame as error:
            kind = stop_kind(frame)
            if kind is not None:
                self.modes.stop(kind, "in a frame with errors", self.epoch, self.seq, now)
            self._refuse("frame", str(error), now)
            return self._changes(now)
        if isinstance(message, Ping):
            return [encode(Pong(n=message.n, now_s=now)), *self._changes(now)]
        if isinstance(message, DaemonHello):
            return self._hello(message, now)
        if message.session == self.session:
            self.report.heard(now)
        if isinstance(message, Setpoint):
            self._setpoint(message, now)
        else:
            self._order(message, now)
        return self._changes(now)

    def _hello(self, message: DaemonHello, now: float) -> list[bytes]:
        """Take a daemon's hello (clauses L3 to L6)."""
        known = message.session == self.session
        reason = hello_error(message)
        if not known and message.session in self._past_sessions:
            reason = "an old session"
        if reason is not None:
            self._refuse("hello", reason, now)
            return self._changes(now)
        if not known:
            self.report.heard(now)
            self._adopt(message.session, now)
        misfits = message.misfits or ()
        if misfits != self._misfits:
            self._misfits = misfits
            if misfits:
                self.note("misfit", now, misfits=list(misfits))
        if not known or self.mode == "disarmed":
            self._take_limits(message, now)
        if known:
            return self._changes(now)
        return [self.report.hello(now), *self._changes(now)]

    def _adopt(self, session: str, now: float) -> None:
        if self.session is not None:
            self._past_sessions.append(self.session)
        self.gate.new_session(now)
        self.queue.drop()
        self.session, self.epoch, self.seq = session, 0, None
        self.modes.new_session()
        self.accepted_s = None
        self._watch_from_s = now
        self.note("session", now, session=session)
        if self.mode == "armed":
            self.modes.wind_down("another session", self.epoch, now)

    def _take_limits(self, message: DaemonHello, now: float) -> None:
        """Take the daemon's limits. If they do not fit, keep our own and show no hash: nothing arms then (L5)."""
        reason = limits_beyond(message.limits, self.traits.limits)
        if reason is None and message.limits.digest() != message.limits_hash:
            reason = f"limits_hash is {message.limits_hash}, but these limits give {message.limits.digest()}"
        if reason is not None:
            self.limits, self.limits_hash = self.traits.limits, None
            self._refuse("hello", f"limits not taken: {reason}", now)
            return
        self.limits, self.limits_hash = message.limits, message.limits_hash
        self._watchdog_feed_s = message.watchdog_feed_ms / 1000
        self._watchdog_stop_s = message.watchdog_stop_ms / 1000

    def _setpoint(self, message: Setpoint, now: float) -> None:
        """Take a setpoint, or refuse it whole (clauses L8 to L14, in this order)."""
        reason = setpoint_error(message, self.limits, now)
        if reason is None and message.session != self.session:
            reason = "another session"
        if reason is None and message.epoch < self.epoch:
            reason = f"epoch {message.epoch}; current is {self.epoch}"
        if reason is not None:
            self._refuse("setpoint", reason, now)
            return
        if message.epoch > self.epoch:
            self._new_epoch(message.epoch, now)
        if self.seq is not None and message.seq <= self.seq:
            self._refuse("setpoint", f"seq {message.seq}; newest is {self.seq}", now)
            return
        if now > message.until_s:
            self._refuse("setpoint", f"its until_s is {(now - message.until_s) * 1000:.0f} ms past", now)
            return
        self.seq, self.accepted_s = message.seq, now
        if not message.feeding:
            self.gate.close("feeding is false", self.seq, now)
        if self.mode == "armed":
            self.queue.add(message)
        self.gate.ask(message, self.mode, now)

    def _order(self, message: Order, now: float) -> None:
        """Obey an order (L18 to L23): stop and disarm from anyone, arm and clear of this session only."""
        ours = message.session == self.session
        if message.kind not in STOP_KINDS:
            if not ours:
                self._refuse(message.kind, "another session", now)
                return
            if message.epoch < self.epoch:
                self._refuse(message.kind, f"epoch {message.epoch}; current is {self.epoch}", now)
                return
        if ours and message.epoch > self.epoch:
            self._new_epoch(message.epoch, now)
        if message.kind == "arm":
            if self.modes.arm(self.epoch, self.limits_hash is not None, now):
                self._watch_from_s = now
        elif message.kind == "clear":
            self.modes.clear(now)
        else:
            whose = f"session {message.session}, epoch {message.epoch}"
            self.modes.stop(message.kind, whose, self.epoch, self.seq, now)

    def _new_epoch(self, epoch: int, now: float) -> None:
        """Make an epoch current: close the feed, drop what waits; the target in force stays until it expires (L11)."""
        self.gate.new_epoch(self.epoch, now)
        self.queue.empty()
        self.epoch, self.seq = epoch, None
        self.note("epoch", now, epoch=epoch)

    def _watch(self, now: float, asleep_s: float) -> None:
        """Check for sleep (L31), then the watchdog: 250 ms without a setpoint close the feed, 500 ms trip (L16).

        Those are the latest moments, so it acts at the last check before them: the first one after may be a tick late.
        """
        slept_s = self._sleep.gap_s(asleep_s)
        if slept_s is not None:
            self.note("slept", now, slept_s=round(slept_s, 3), mode=self.mode)
        if self.mode == "tripped" or (self.mode != "armed" and not self.outputs.turning):
            return
        if slept_s is not None:
            self.modes.trip(f"{MACHINE_SLEPT}: the computer slept for {slept_s:.1f} s", self.epoch, self.seq, now)
            return
        since = self._watch_from_s if self.accepted_s is None else max(self._watch_from_s, self.accepted_s)
        age = now - since
        next_age = age + DRIVER_TICK_S
        if next_age > self._watchdog_feed_s:
            self.gate.close(f"no setpoint for {age * 1000:.0f} ms", self.seq, now)
        if next_age > self._watchdog_stop_s:
            self.note("watchdog", now, age_ms=round(age * 1000, 1))
            self.modes.trip(f"no setpoint for {age * 1000:.0f} ms", self.epoch, self.seq, now)

    # What goes out.

    def tick(self, now: float, asleep_s: float = 0.0) -> list[bytes]:
        """Read the board, move the outputs, push balls that are due; return status and hello if they are due."""
        self._watch(now, asleep_s)
        reading = self.board.read(now)
        self.outputs.see(reading, now)
        self.report.see(reading, now)
        if self._first_tick:
            self._take_over_turning_wheels(now)
        if self.mode == "armed":
            self._take_due(now)
        wanted = self.queue.in_force if self.mode == "armed" else None
        self.outputs.move(self.board, self.limits, wanted, hold=self.mode == "armed", now=now)
        self.gate.push_due(wanted, self.epoch, now)
        self.gate.hear()
        if self.mode == "stopping":
            self.modes.settle(now)
        self._sample(reading, now)
        return self.report.due(self._condition(), Heartbeat(self.seq, self.accepted_s), now)

    def _take_over_turning_wheels(self, now: float) -> None:
        """If the wheels turn already at the start, bring them down from their present speed (L22)."""
        self._first_tick = False
        if self.outputs.take_over():
            self._watch_from_s = now
            self.modes.enter("stopping", "wheels were turning when the driver began", now)

    def _take_due(self, now: float) -> None:
        target = self.queue.advance(now)
        if target is not None:
            self.gate.follow(target, self.epoch, now)
        elif self.gate.open:
            self.gate.close("target expired", self.seq, now)

    def _sample(self, reading: Reading, now: float) -> None:
        if self.report.sample_due(now) and (self.outputs.turning or self.outputs.at_rest(now)[0] is not True):
            self.note(
                "wheels",
                now,
                **self.outputs.speeds(self.queue.in_force),
                **{key: round(value, 1) for key, value in reading.extra.items()},
            )

    def _refuse(self, kind: str, reason: str, now: float) -> None:
        self.report.refused(kind, reason)
        self.note("message_refused", now, kind=kind, reason=reason)

    def _condition(self) -> Condition:
        return Condition(
            self.mode,
            self.mode_reason,
            self.gate.open,
            self.gate.agitating,
            self.session,
            self.epoch,
            self.limits_hash,
            self.gate.ledger.results,
        )

    def _changes(self, now: float) -> list[bytes]:
        return self.report.changes(self._condition(), Heartbeat(self.seq, self.accepted_s), now)

    def close(self, now: float) -> None:
        """End: cut feeder and agitator, set the wheel outputs to zero. Only here may an output jump, and only down."""
        self.gate.close("driver ends", self.seq, now)
        self.board.cut()
        self.board.set_wheel("top", 0.0)
        self.board.set_wheel("bottom", 0.0)
        self.note("end", now, mode=self.mode)
