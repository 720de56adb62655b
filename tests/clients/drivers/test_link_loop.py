"""The loop on a real socket of this machine, each test bounded in time: the smoke tests of the driver's side."""

import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager

import pytest
import zmq

from drillfeed.clients.drivers.adapter import DriverCore
from drillfeed.clients.drivers.link_loop import Ending, run_link
from drillfeed.protocol.frames import decode_from_driver, encode
from drillfeed.protocol.link import DriverHello, Message, Order, Ping, Pong, Status
from tests.clients.drivers.link_rig import LIMITS, TRAITS, ListBoard

PATIENCE_S = 5.0


class Desk:
    """A ROUTER that a driver in a thread of its own is connected to."""

    def __init__(self, socket: "zmq.Socket[bytes]", core: DriverCore, board: ListBoard, ending: Ending) -> None:
        self.socket, self.core, self.board, self.ending = socket, core, board, ending
        self.peer = b""

    def wait_for(self, kind: type[Message], **fields: object) -> Message:
        """Return the next message of a kind with the given fields; fail when patience is over."""
        end_s = time.monotonic() + PATIENCE_S
        while time.monotonic() < end_s:
            if not self.socket.poll(100):
                continue
            self.peer, frame = self.socket.recv_multipart()
            message = decode_from_driver(frame)
            if isinstance(message, kind) and all(getattr(message, key) == value for key, value in fields.items()):
                return message
        pytest.fail(f"no {kind.__name__} with {fields} within {PATIENCE_S} s")

    def send(self, *frames: bytes) -> None:
        self.socket.send_multipart([self.peer, *frames])


@contextmanager
def desk() -> Iterator[Desk]:
    """Run a driver against a ROUTER on a free port of the loopback; end it by its flag."""
    context: zmq.Context[zmq.Socket[bytes]] = zmq.Context()
    socket = context.socket(zmq.ROUTER)
    socket.setsockopt(zmq.LINGER, 0)
    # Else a flood beyond the high-water mark is dropped before it is sent, and what comes last with it.
    socket.setsockopt(zmq.ROUTER_MANDATORY, 1)
    port = socket.bind_to_random_port("tcp://127.0.0.1")
    board, ending = ListBoard(), Ending()
    core = DriverCore(TRAITS, board, "boot-1", time.monotonic())
    thread = threading.Thread(target=run_link, args=(core, f"tcp://127.0.0.1:{port}", ending))
    thread.start()
    try:
        yield Desk(socket, core, board, ending)
    finally:
        ending.asked = True
        thread.join(PATIENCE_S)
        socket.close()
        context.term()
    assert not thread.is_alive()


def test_a_driver_greets_tells_answers_and_ends() -> None:
    """Over a real socket: hello, statuses, pong, a refusal of a frame in two parts, and outputs cut at the end."""
    with desk() as daemon:
        hello = daemon.wait_for(DriverHello)
        assert isinstance(hello, DriverHello) and hello.limits == LIMITS
        daemon.wait_for(Status, mode="disarmed")
        daemon.send(encode(Ping(n=5)))
        daemon.wait_for(Pong, n=5)
        daemon.send(encode(Order(kind="arm", session="none", epoch=1)), b"second part")
        told = daemon.wait_for(Status)
        while not (isinstance(told, Status) and told.refusals):
            told = daemon.wait_for(Status)
        assert told.refusals[0].kind == "frame"
        cuts = len(daemon.board.cuts)
    assert len(daemon.board.cuts) > cuts


def test_stop_is_read_beside_a_flood() -> None:
    """Ten thousand frames of garbage in front of it do not keep a stop from being read, nor status from coming."""
    with desk() as daemon:
        daemon.wait_for(DriverHello)
        for _ in range(10_000):
            daemon.send(b"garbage")
        daemon.send(encode(Order(kind="stop", session="whoever", epoch=0)))
        daemon.send(encode(Ping(n=9)))
        daemon.wait_for(Pong, n=9)
        assert daemon.board.cuts


def test_no_daemon_is_no_trouble() -> None:
    """With nobody at the endpoint the loop goes on ticking, stores nothing, and ends when asked."""
    board, ending = ListBoard(), Ending()
    core = DriverCore(TRAITS, board, "boot-1", time.monotonic())
    began_s = time.monotonic()

    def clock() -> float:
        now = time.monotonic()
        ending.asked = now - began_s > 0.3
        return now

    run_link(core, "tcp://127.0.0.1:9", ending, clock=clock)
    assert board.rpm == {"top": 0.0, "bottom": 0.0} and board.cuts


def test_a_late_wake_is_noted() -> None:
    """A loop that wakes more than 10 ms after its tick writes by how much: who judges moments must know that."""
    board, ending = ListBoard(), Ending()
    core = DriverCore(TRAITS, board, "boot-1", 0.0)
    noted: list[float] = []
    calls = 0

    def clock() -> float:
        nonlocal calls
        calls += 1
        ending.asked = calls > 20
        return calls * 0.050

    def note(event: str, t: float, /, **what: object) -> None:
        if event == "late_wake":
            noted.append(float(str(what["late_ms"])))

    run_link(core, "tcp://127.0.0.1:9", ending, clock=clock, note=note)
    assert noted and all(late_ms > 10 for late_ms in noted)
