"""The control loop: a thread of its own that owns the driver socket and the engine, and touches nothing else.

Rule of this file: no disk, no user text, no lock. Commands come through one deque and stops through another, which is
read first; both wake the loop. The engine's replies and events go out through one call to the desk.
"""

import contextlib
import gc
import socket
import threading
import time
from collections import deque
from collections.abc import Callable
from concurrent.futures import Future

import structlog
import zmq

from drillfeed.daemon.engine.effects import Effects
from drillfeed.daemon.engine.engine import Engine
from drillfeed.daemon.engine.fault import Fault
from drillfeed.daemon.engine.request import Request
from drillfeed.daemon.engine.snapshot import snapshot
from drillfeed.daemon.engine.strangers import Strangers
from drillfeed.daemon.shell.link_socket import LinkTaken, Parts, link_socket, observer_socket
from drillfeed.daemon.shell.tellers import Deliver
from drillfeed.protocol.link import TICK_S
from drillfeed.protocol.spec import Caller
from drillfeed.protocol.status import Snapshot, State
from drillfeed.protocol.texts.catalogue import text

PARTS_A_TURN = 2_000
# After this many messages of strangers the link rests, so that strangers get a bounded share of the loop's time.
STRANGE_A_TURN = 32
STRANGE_REST_S = 0.002
COMMANDS_A_TURN = 16
LATE_S = 0.010
RESTING_STATES: frozenset[State] = frozenset({"OFFLINE", "IDLE", "ARMED", "RESTING", "PAUSED", "FAULT"})
COLLECT_EVERY_S = 5.0
COLLECT_CLEARANCE_S = 1.0


class ControlLoop(threading.Thread):
    """Runs the engine on the monotonic clock until `end` is called."""

    def __init__(
        self,
        engine: Engine,
        link: str,
        observe: str | None,
        deliver: Deliver,
        asleep: Callable[[], float] = lambda: 0.0,
    ) -> None:
        """Store the arguments; `start` begins. `asleep` reads how many seconds the computer has slept."""
        super().__init__(name="control", daemon=True)
        self.engine = engine
        self.bound: Future[tuple[str, str | None]] = Future()
        self.snapshot: Snapshot = snapshot(engine.parts, engine.ticked_s)
        self.ticks = 0
        self._link, self._observe, self._deliver = link, observe, deliver
        self._asleep = asleep
        self._stops: deque[tuple[Caller, int | None]] = deque()
        self._inbox: deque[Request] = deque()
        self._wake_read, self._wake_write = socket.socketpair()
        self._wake_read.setblocking(False)
        self._wake_write.setblocking(False)
        self._parts, self._strangers = Parts(), Strangers()
        self._link_rests_until_s = 0.0
        self._ending = False
        self._late_ticks = 0
        self._worst_late_s = 0.0
        self._collected_s = 0.0
        self._log = structlog.get_logger("control")

    # Called from other threads.

    def stop(self, caller: Caller, token: int | None) -> None:
        """Put a stop in front of everything else and wake the loop."""
        self._stops.append((caller, token))
        self._wake()

    def post(self, request: Request) -> None:
        """Hand over a command."""
        self._inbox.append(request)
        self._wake()

    def end(self) -> None:
        """End the loop after its present turn."""
        self._ending = True
        self._wake()

    def _wake(self) -> None:
        # A full pipe means that the loop is about to wake anyway.
        with contextlib.suppress(BlockingIOError):
            self._wake_write.send(b"\0")

    # The thread.

    def run(self) -> None:
        """Serve the link until ended."""
        context: zmq.Context[zmq.Socket[bytes]] = zmq.Context()
        try:
            router, observers = self._bind(context)
        except LinkTaken as error:
            context.destroy(linger=0)
            self.bound.set_exception(error)
            return
        poller, resting = zmq.Poller(), zmq.Poller()
        poller.register(router, zmq.POLLIN)
        for waiting in (poller, resting):
            waiting.register(self._wake_read, zmq.POLLIN)
        due_s = time.monotonic()
        self.engine.skip_to(due_s)
        try:
            while not self._ending:
                due_s += TICK_S
                self._guarded(self._listen_until, router, observers, (poller, resting), due_s)
                now_s = time.monotonic()
                self._count_late(now_s - due_s)
                if now_s - due_s > TICK_S:
                    due_s = now_s
                # Each step is guarded by itself: after a mistake in one, stops and setpoints still go out.
                self._guarded(self._receive, router, observers)
                self._guarded(self._hear_strangers, router)
                self._guarded(self._take, router, observers, now_s)
                self._guarded(self._advance, router, observers, now_s)
                self.ticks += 1
        finally:
            router.close(linger=0)
            if observers is not None:
                observers.close(linger=0)
            context.term()

    def _bind(self, context: "zmq.Context[zmq.Socket[bytes]]") -> "tuple[zmq.Socket[bytes], zmq.Socket[bytes] | None]":
        router = link_socket(context, self._link)
        observers = observer_socket(context, self._observe) if self._observe is not None else None
        seen = observers.getsockopt_string(zmq.LAST_ENDPOINT) if observers else None
        self.bound.set_result((router.getsockopt_string(zmq.LAST_ENDPOINT), seen))
        return router, observers

    def _guarded(self, step: Callable[..., None], router: "zmq.Socket[bytes]", *rest: object) -> None:
        """Run one step; if drillfeed itself makes a mistake, latch a fault and let the loop go on."""
        try:
            step(router, *rest)
        except Exception as error:
            self._log.exception("mistake in the control loop")
            now_s = time.monotonic()
            fault = Fault("internal", f"{type(error).__name__}: {error}", now_s, text("daemon.mistake"), "clear")
            with contextlib.suppress(Exception):
                self.engine.latch(fault, now_s)

    def _listen_until(
        self,
        router: "zmq.Socket[bytes]",
        observers: "zmq.Socket[bytes] | None",
        pollers: tuple[zmq.Poller, zmq.Poller],
        due_s: float,
    ) -> None:
        """Take frames, stops and commands as they come, until the tick is due; take no frames while the link rests."""
        while not self._ending:
            now_s = time.monotonic()
            rests = now_s < self._link_rests_until_s
            left_s = (min(self._link_rests_until_s, due_s) if rests else due_s) - now_s
            if left_s <= 0:
                return
            if left_s < 0.001:
                time.sleep(left_s)
                continue
            # The poller counts whole milliseconds. It waits for all but the last one; a sleep waits for that.
            ready = dict(pollers[rests].poll(int(left_s * 1000)))
            if self._wake_read.fileno() in ready:
                self._drain_wake()
                self._take(router, observers, time.monotonic())
            if router in ready:
                self._receive(router, observers)

    def _drain_wake(self) -> None:
        with contextlib.suppress(BlockingIOError):
            while self._wake_read.recv(4096):
                pass

    def _receive(self, router: "zmq.Socket[bytes]", observers: "zmq.Socket[bytes] | None") -> None:
        """Read what waits: take the driver's frames at once, keep a few of strangers, then let the link rest."""
        strange = 0
        for _ in range(PARTS_A_TURN):
            if self._stops:
                self._take(router, observers, time.monotonic())
            try:
                message = self._parts.take(router.recv(zmq.NOBLOCK), bool(router.getsockopt(zmq.RCVMORE)))
            except zmq.Again:
                return
            if message is None:
                continue
            peer, frame = message
            if not self.engine.parts.link.knows(peer):
                self._strangers.keep(peer, frame)
                strange += 1
                if strange == STRANGE_A_TURN:
                    self._link_rests_until_s = time.monotonic() + STRANGE_REST_S
                    return
                continue
            self.engine.receive(peer, frame, time.monotonic())
            if observers is not None and b'"kind":"status"' in frame[:32]:
                self._publish(observers, b"status", frame)

    def _hear_strangers(self, router: "zmq.Socket[bytes]") -> None:
        for peer, frame in self._strangers.some():
            self.engine.receive(peer, frame, time.monotonic())

    def _take(self, router: "zmq.Socket[bytes]", observers: "zmq.Socket[bytes] | None", now_s: float) -> None:
        """Carry out what waits: stops first, then pauses, then other commands in the order they came."""
        while self._stops:
            caller, token = self._stops.popleft()
            self.engine.stop(caller, token, now_s)
        batch = [self._inbox.popleft() for _ in range(min(len(self._inbox), COMMANDS_A_TURN))]
        batch.sort(key=lambda request: request.command.verb != "pause")
        for request in batch:
            self.engine.command(request, now_s)
        if any(request.command.verb == "pause" for request in batch):
            # The next setpoint closes the feed, so send it now instead of with the next tick.
            self.engine.advance(now_s)
        self._flush(router, observers, now_s)

    def _advance(self, router: "zmq.Socket[bytes]", observers: "zmq.Socket[bytes] | None", now_s: float) -> None:
        self.engine.advance(now_s, self._asleep())
        self._flush(router, observers, now_s)
        self._collect(now_s)

    def _flush(self, router: "zmq.Socket[bytes]", observers: "zmq.Socket[bytes] | None", now_s: float) -> None:
        for peer, frame in self.engine.take_frames():
            # A frame that cannot go now would be stale later, so drop it; the driver's own watchdog acts then.
            with contextlib.suppress(zmq.ZMQError):
                router.send_multipart([peer, frame], zmq.NOBLOCK)
            if observers is not None and b'"kind":"setpoint"' in frame[:32]:
                self._publish(observers, b"setpoint", frame)
        effects: Effects = self.engine.take_effects()
        worst_ms = round(self._worst_late_s * 1000, 1)
        self.snapshot = snapshot(self.engine.parts, now_s, self._late_ticks, worst_ms)
        if effects.replies or effects.events:
            self._deliver(effects)

    def _publish(self, observers: "zmq.Socket[bytes]", topic: bytes, frame: bytes) -> None:
        with contextlib.suppress(zmq.ZMQError):
            observers.send_multipart([topic, frame], zmq.NOBLOCK)

    def _count_late(self, late_s: float) -> None:
        if late_s > LATE_S:
            self._late_ticks += 1
        self._worst_late_s = max(self._worst_late_s, late_s)

    def _collect(self, now_s: float) -> None:
        """Collect garbage only while nothing runs and no set is about to begin."""
        engine = self.engine
        if engine.state not in RESTING_STATES or now_s - self._collected_s < COLLECT_EVERY_S:
            return
        rest_until_s = engine.parts.practice.rest_until_s
        if rest_until_s is not None and rest_until_s - now_s < COLLECT_CLEARANCE_S:
            return
        self._collected_s = now_s
        gc.collect()
