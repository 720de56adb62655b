"""A proxy between driver and daemon that loses, doubles, delays and changes single messages.

Rule of this file: a message is never split or joined; what becomes of it is one function's word. Each driver that
connects gets a connection of its own to the daemon, as it would have without the proxy; that of the one before it ends.
"""

import heapq
import threading
import time
from collections.abc import Callable, Sequence
from itertools import count
from types import TracebackType
from typing import Literal, Self

import numpy as np
import zmq

Direction = Literal["to driver", "to daemon"]
Rule = Callable[[Direction, bytes], Sequence[tuple[float, bytes]]]
"""Which way, which frame: what goes on in its place, each with its delay in seconds."""

POLL_MS = 2


def untouched(way: Direction, frame: bytes) -> Sequence[tuple[float, bytes]]:
    """Let a message pass as it is."""
    return ((0.0, frame),)


def lossy(rng: np.random.Generator, max_delay_s: float, loss: float = 0.0, doubled: float = 0.0) -> Rule:
    """Return a rule that delays each message by its own chance, so that they overtake, loses some and doubles some."""

    def rule(way: Direction, frame: bytes) -> Sequence[tuple[float, bytes]]:
        if rng.random() < loss:
            return ()
        copies = 2 if rng.random() < doubled else 1
        return [(float(rng.uniform(0, max_delay_s)), frame) for _ in range(copies)]

    return rule


def without(*kinds: str, way: Direction) -> Rule:
    """Return a rule that loses every message of these kinds that goes this way."""
    marks = [f'"kind":"{kind}"'.encode() for kind in kinds]

    def rule(going: Direction, frame: bytes) -> Sequence[tuple[float, bytes]]:
        lost = going == way and any(mark in frame[:64] for mark in marks)
        return () if lost else ((0.0, frame),)

    return rule


class Proxy:
    """The proxy, running on a thread of its own while it is entered. `rule` may be changed at any time."""

    def __init__(self, listen: str, to: str) -> None:
        self._listen, self._to = listen, to
        self.rule: Rule = untouched
        self.passed: dict[Direction, int] = {"to driver": 0, "to daemon": 0}
        self.last: dict[Direction, list[bytes]] = {"to driver": [], "to daemon": []}
        self._inject: list[tuple[Direction, bytes]] = []
        self._ending = threading.Event()
        self._thread = threading.Thread(target=self._run, name="proxy", daemon=True)

    def __enter__(self) -> Self:
        self._thread.start()
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._ending.set()
        self._thread.join(5.0)

    def inject(self, way: Direction, frames: Sequence[bytes]) -> None:
        """Send frames of the bench's own, as if the other side had."""
        self._inject += [(way, frame) for frame in frames]

    def _run(self) -> None:
        context: zmq.Context[zmq.Socket[bytes]] = zmq.Context()
        front = context.socket(zmq.ROUTER)
        front.setsockopt(zmq.LINGER, 0)
        front.bind(self._listen)
        backs: dict[bytes, zmq.Socket[bytes]] = {}
        poller = zmq.Poller()
        poller.register(front, zmq.POLLIN)
        waiting: list[tuple[float, int, Direction, bytes, bytes]] = []
        serials = count()

        def take(way: Direction, peer: bytes, frame: bytes) -> None:
            self.passed[way] += 1
            self.last[way] = [*self.last[way][-40:], frame]
            for delay_s, changed in self.rule(way, frame):
                heapq.heappush(waiting, (time.monotonic() + delay_s, next(serials), way, peer, changed))

        while not self._ending.is_set():
            ready = dict(poller.poll(POLL_MS))
            if front in ready:
                for peer, frame in _all(front, 2):
                    if peer not in backs:
                        while backs:
                            _, old = backs.popitem()
                            poller.unregister(old)
                            old.close(linger=0)
                        backs[peer] = back = context.socket(zmq.DEALER)
                        back.setsockopt(zmq.LINGER, 0)
                        back.connect(self._to)
                        poller.register(back, zmq.POLLIN)
                    take("to daemon", peer, frame)
            for peer, back in backs.items():
                if back in ready:
                    for (frame,) in _all(back, 1):
                        take("to driver", peer, frame)
            while self._inject:
                way, frame = self._inject.pop(0)
                for peer in list(backs)[-1:]:
                    heapq.heappush(waiting, (time.monotonic(), next(serials), way, peer, frame))
            while waiting and waiting[0][0] <= time.monotonic():
                _, _, way, peer, frame = heapq.heappop(waiting)
                if way == "to daemon" and peer in backs:
                    _send(backs[peer], [frame])
                elif way == "to driver":
                    _send(front, [peer, frame])
        for back in backs.values():
            back.close(linger=0)
        front.close(linger=0)
        context.term()


def _all(socket: "zmq.Socket[bytes]", parts: int) -> list[list[bytes]]:
    found: list[list[bytes]] = []
    while True:
        try:
            message = socket.recv_multipart(zmq.NOBLOCK)
        except zmq.Again:
            return found
        if len(message) == parts:
            found.append(message)


def _send(socket: "zmq.Socket[bytes]", message: list[bytes]) -> None:
    try:
        socket.send_multipart(message, zmq.NOBLOCK)
    except zmq.ZMQError:
        return
