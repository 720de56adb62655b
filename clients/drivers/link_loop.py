"""The loop that joins an adapter to its socket: a DEALER, a tick each 5 ms to absolute deadlines, a clean end.

Rules of this file: the loop owns the socket and the adapter in one thread. It never blocks on sending, because a
frame that can't go now is stale anyway. A flood of frames never delays the tick.
"""

import gc
import signal
import time
from collections.abc import Callable
from types import FrameType

import zmq

from drillfeed.clients.drivers.adapter import DRIVER_TICK_S, DriverCore
from drillfeed.clients.drivers.board import Note, forget
from drillfeed.clients.ending import leave_terminal_after, signals_to_end
from drillfeed.clients.sleeping import asleep_s
from drillfeed.protocol.link import SOCKET_BYTES_MAX

FRAMES_A_TURN = 64
LATE_WAKE_S = 0.010
SEND_QUEUE = 64
RECEIVE_QUEUE = 256
RECONNECT_MS = 50
RECONNECT_MAX_MS = 500

Clock = Callable[[], float]


def connect(context: "zmq.Context[zmq.Socket[bytes]]", endpoint: str) -> "zmq.Socket[bytes]":
    """Return a DEALER socket that connects to the daemon at `endpoint`, for example tcp://127.0.0.1:7411."""
    socket: zmq.Socket[bytes] = context.socket(zmq.DEALER)
    # LINGER is -1 by default, and closing would then wait for a daemon that is gone. IMMEDIATE: nothing is stored for
    # a daemon that is not there; otherwise it would receive old statuses first.
    socket.setsockopt(zmq.LINGER, 0)
    socket.setsockopt(zmq.IMMEDIATE, 1)
    socket.setsockopt(zmq.SNDHWM, SEND_QUEUE)
    socket.setsockopt(zmq.RCVHWM, RECEIVE_QUEUE)
    socket.setsockopt(zmq.MAXMSGSIZE, SOCKET_BYTES_MAX)
    socket.setsockopt(zmq.RECONNECT_IVL, RECONNECT_MS)
    socket.setsockopt(zmq.RECONNECT_IVL_MAX, RECONNECT_MAX_MS)
    socket.connect(endpoint)
    return socket


class Ending:
    """A flag that SIGTERM and SIGINT set. SIGHUP sets it too, unless it was ignored at the start (L29)."""

    def __init__(self) -> None:
        """Begin with no request to end."""
        self.asked = False

    def catch(self) -> None:
        """Catch these signals from now on (main thread only)."""
        for number in signals_to_end():
            signal.signal(number, self._ask)

    def _ask(self, number: int, frame: FrameType | None) -> None:
        leave_terminal_after(number)
        self.asked = True


def run_link(
    core: DriverCore,
    endpoint: str,
    ending: Ending,
    clock: Clock = time.monotonic,
    note: Note = forget,
    asleep: Clock = asleep_s,
) -> None:
    """Serve the link until `ending` is asked for; then cut the outputs and return. `asleep` returns all sleep (L31)."""
    context: zmq.Context[zmq.Socket[bytes]] = zmq.Context()
    socket = connect(context, endpoint)
    gc.collect()
    gc.freeze()
    due_s = clock()
    try:
        while not ending.asked:
            due_s += DRIVER_TICK_S
            _listen_until(core, socket, due_s, clock, ending, asleep)
            now = clock()
            if now - due_s > LATE_WAKE_S:
                note("late_wake", now, late_ms=round((now - due_s) * 1000, 1))
                due_s = now
            _send(socket, core.tick(now, asleep()))
    finally:
        try:
            core.close(clock())
        finally:
            socket.close(linger=0)
            context.term()


def _listen_until(
    core: DriverCore, socket: "zmq.Socket[bytes]", due_s: float, clock: Clock, ending: Ending, asleep: Clock
) -> None:
    """Take frames as they come until the tick is due; check the socket at least once, however late it is."""
    while not ending.asked:
        _drain(core, socket, clock, asleep)
        left_s = due_s - clock()
        if left_s <= 0:
            return
        # The poller counts whole milliseconds, so a sleep covers the last fraction.
        if left_s >= 0.001:
            socket.poll(int(left_s * 1000))
        else:
            time.sleep(left_s)


def _drain(core: DriverCore, socket: "zmq.Socket[bytes]", clock: Clock, asleep: Clock) -> None:
    for _ in range(FRAMES_A_TURN):
        try:
            parts = socket.recv_multipart(zmq.NOBLOCK)
        except zmq.Again:
            return
        # This protocol has no message of several frames. An empty frame in its place is refused with a reason.
        _send(socket, core.receive(parts[0] if len(parts) == 1 else b"", clock(), asleep()))


def _send(socket: "zmq.Socket[bytes]", frames: list[bytes]) -> None:
    for frame in frames:
        try:
            socket.send(frame, zmq.NOBLOCK)
        except zmq.Again:
            return
