"""Who never says a valid hello on the driver link costs the daemon nothing, and nobody can send a frame without end."""

import contextlib
import os
import subprocess
import threading
import time
from collections.abc import Iterator
from pathlib import Path

import pytest
import zmq
from zmq.utils.monitor import recv_monitor_message

from drillfeed.clients.drivers.link_loop import connect
from drillfeed.clients.probe.probe import Probe
from drillfeed.clients.probe.run import run_probe
from drillfeed.daemon.engine.driver import DriverLink
from drillfeed.daemon.engine.effects import Effects
from drillfeed.daemon.engine.engine import Engine
from drillfeed.daemon.engine.strangers import HEARD_A_TICK, PEERS_MAX, Strangers
from drillfeed.daemon.library.loading import load_machine
from drillfeed.daemon.shell.control import ControlLoop
from drillfeed.daemon.shell.link_socket import Parts
from drillfeed.daemon.simulation import Simulation
from drillfeed.protocol.frames import encode
from drillfeed.protocol.link import FRAME_BYTES_MAX, SOCKET_BYTES_MAX, DriverHello
from tests.clients.drivers.link_rig import LIMITS
from tests.support.other_languages import c_driver, free_port, node_driver

PATIENCE_S = 10.0
HELLO = DriverHello(
    driver="a driver", boot="boot-1", now_s=0.0, limits=LIMITS, feedback="measured", stopping="brake",
    spin_down_s=6.0, exit_sensor=False,
)  # fmt: skip

Socket = zmq.Socket[bytes]


@contextlib.contextmanager
def peer(kind: int) -> Iterator[tuple[Socket, Socket]]:
    """A socket of a kind, and the monitor that tells when the other end hangs up."""
    with zmq.Context() as context:
        socket = context.socket(kind)
        socket.setsockopt(zmq.LINGER, 0)
        monitor = socket.get_monitor_socket(zmq.EVENT_DISCONNECTED | zmq.EVENT_HANDSHAKE_SUCCEEDED)
        try:
            yield socket, monitor
        finally:
            socket.disable_monitor()
            monitor.close(linger=0)
            socket.close(linger=0)


def wait_for(monitor: Socket, event: int, max_s: float = PATIENCE_S) -> bool:
    """Tell whether an event of the connection comes in time."""
    end_s = time.monotonic() + max_s
    while (left_s := end_s - time.monotonic()) > 0:
        if monitor.poll(int(left_s * 1000) + 1) and recv_monitor_message(monitor)["event"] == event:
            return True
    return False


@contextlib.contextmanager
def control() -> Iterator[ControlLoop]:
    """A control loop on free ports of the loopback, nobody connected."""

    def deliver(effects: Effects) -> None:
        """Nobody listens."""

    loop = ControlLoop(
        Engine(load_machine("club-build"), "session-0001", time.monotonic()),
        "tcp://127.0.0.1:*",
        "tcp://127.0.0.1:*",
        deliver,
    )
    loop.start()
    try:
        yield loop
    finally:
        loop.end()
        loop.join(PATIENCE_S)
        loop._wake_read.close()
        loop._wake_write.close()


@contextlib.contextmanager
def probe() -> Iterator[str]:
    """A probe that waits for a driver."""
    endpoint = f"tcp://127.0.0.1:{free_port()}"
    new_probe = Probe("probe", time.monotonic())
    thread = threading.Thread(target=run_probe, args=(endpoint, new_probe, lambda *_: "no", lambda row: None, 2.0))
    thread.start()
    try:
        yield endpoint
    finally:
        new_probe.done = True
        thread.join(PATIENCE_S)


def hangs_up(endpoint: str, kind: int = zmq.DEALER, first: bytes = b"") -> bool:
    """Tell whether what listens at `endpoint` hangs up on a frame beyond the most that its socket takes."""
    with peer(kind) as (socket, monitor):
        socket.connect(endpoint)
        assert wait_for(monitor, zmq.EVENT_HANDSHAKE_SUCCEEDED)
        socket.send(first + b"x" * (SOCKET_BYTES_MAX + 1))
        return wait_for(monitor, zmq.EVENT_DISCONNECTED, 3.0)


@pytest.mark.parametrize("where", ["link", "observers", "probe"])
def test_who_listens_hangs_up_on_a_frame_that_is_too_long(where: str) -> None:
    """Daemon, its observers' socket and the probe read no frame beyond twice the largest: the connection is closed."""
    if where == "probe":
        with probe() as endpoint:
            assert hangs_up(endpoint)
        return
    with control() as loop:
        link, observe = loop.bound.result(PATIENCE_S)
        assert observe is not None
        # A subscriber's message begins with one byte that says what it is.
        assert hangs_up(link) if where == "link" else hangs_up(observe, zmq.XSUB, b"\1")


def _hung_up_by(start: "contextlib.AbstractContextManager[object]", port: int) -> bool:
    with peer(zmq.ROUTER) as (socket, monitor):
        socket.bind(f"tcp://127.0.0.1:{port}")
        with start:
            assert socket.poll(int(PATIENCE_S * 1000))
            who = socket.recv_multipart()[0]
            socket.send_multipart([who, b" " * (FRAME_BYTES_MAX + 1000)])
            assert not wait_for(monitor, zmq.EVENT_DISCONNECTED, 0.5)
            socket.send_multipart([who, b" " * (SOCKET_BYTES_MAX + 1)])
            return wait_for(monitor, zmq.EVENT_DISCONNECTED, 3.0)


@pytest.mark.parametrize("language", ["python", "c", "node"])
def test_drivers_hang_up_on_a_frame_that_is_too_long(language: str) -> None:
    """Each shipped driver takes a frame of 17 kB, to refuse it with a reason, and hangs up on one beyond 32 kB."""
    port = free_port()

    @contextlib.contextmanager
    def python() -> Iterator[None]:
        with zmq.Context() as context, connect(context, f"tcp://127.0.0.1:{port}") as socket:
            socket.send(encode(HELLO)) if socket.poll(5000, zmq.POLLOUT) else None
            yield

    @contextlib.contextmanager
    def process(*command: str) -> Iterator[None]:
        running = subprocess.Popen([*command, f"tcp://127.0.0.1:{port}"], env={**os.environ}, stderr=subprocess.DEVNULL)
        try:
            yield
        finally:
            running.terminate()
            running.wait(PATIENCE_S)

    start = {
        "python": python,
        "c": lambda: process(str(c_driver())),
        "node": lambda: process(*node_driver()),
    }[language]
    assert _hung_up_by(start(), port)


def test_replaying_and_recording_are_bounded_the_same() -> None:
    """`replay --link` binds the daemon's own socket, and `record` sets the same bound as everybody."""
    folder = Path(__file__).parents[2] / "daemon" / "subcommands"
    assert "link_socket(context, endpoint)" in (folder / "replay.py").read_text()
    assert "zmq.MAXMSGSIZE, SOCKET_BYTES_MAX" in (folder / "record.py").read_text()


def test_a_tick_hears_a_few_strangers_and_a_hello_before_the_rest() -> None:
    """Of 200 peers that talk without end a tick hears four; a hello said once among them is heard in the first."""
    strangers = Strangers()
    for n in range(200):
        strangers.keep(b"%d" % n, b"{}")
        strangers.keep(b"%d" % n, b"[]")
    strangers.keep(b"driver", encode(HELLO))
    strangers.keep(b"driver", b'{"kind":"status"}')
    heard = strangers.some()
    assert heard[0] == (b"driver", encode(HELLO)) and len(heard) == HEARD_A_TICK
    rest = [told for _ in range(PEERS_MAX) for told in strangers.some()]
    assert len(rest) <= PEERS_MAX and all(frame == b"[]" for _, frame in rest)


def test_forty_false_hellos_keep_no_driver_waiting_longer_than_eleven_ticks() -> None:
    """Peers that say false hellos each tick take turns: one hello among them is heard within eleven ticks."""
    strangers, heard = Strangers(), 0
    strangers.keep(b"driver", encode(HELLO))
    for _ in range(11):
        for n in range(40):
            strangers.keep(b"%d" % n, b'{"kind":"hello"}')
        heard += sum(peer == b"driver" for peer, _ in strangers.some())
        strangers.keep(b"driver", encode(HELLO))
    assert heard >= 1


def test_strangers_push_nothing_out_of_the_record_of_a_fault() -> None:
    """Garbage and statuses of strangers leave what the driver said in the record of what came last."""
    hall = Simulation(load_machine("club-build"))
    assert hall.until_state("IDLE")
    link: DriverLink = hall.engine.parts.link
    before = list(link.recent)
    for n in range(500):
        hall.engine.receive(b"ghost%d" % (n % 40), (b"{}", b"\0", encode(HELLO)[:-1])[n % 3], hall.now_s)
    assert list(link.recent) == before


def test_a_message_of_many_parts_is_an_empty_frame_and_the_next_is_read_whole() -> None:
    """Beyond two parts nothing is kept of a message: it reads as an empty frame, which is refused with a reason."""
    parts = Parts()
    assert parts.take(b"peer", True) is None
    for _ in range(100_000):
        assert parts.take(b"x", True) is None
    assert len(parts._parts) == 2
    assert parts.take(b"x", False) == (b"peer", b"")
    assert parts.take(b"peer", False) == (b"peer", b"")
    assert parts.take(b"peer", True) is None and parts.take(b"frame", False) == (b"peer", b"frame")


def test_a_message_of_a_hundred_thousand_parts_does_not_hold_the_loop() -> None:
    """The loop leaves off between parts: while a stranger's endless message is read, no tick comes 0.1 s late."""
    with control() as loop, peer(zmq.DEALER) as (socket, monitor):
        socket.connect(loop.bound.result(PATIENCE_S)[0])
        assert wait_for(monitor, zmq.EVENT_HANDSHAKE_SUCCEEDED)
        reads: list[int] = []
        usual = loop._parts.take

        def counted(part: bytes, more: bool) -> tuple[bytes, bytes] | None:
            reads.append(loop.ticks)
            return usual(part, more)

        loop._parts.take = counted  # type: ignore[method-assign]
        socket.send_multipart([b""] * 100_000)
        end_s = time.monotonic() + PATIENCE_S
        while len(reads) < 100_001 and time.monotonic() < end_s:
            time.sleep(0.01)
    assert len(reads) == 100_001
    most = max(reads.count(tick) for tick in set(reads))
    assert most < 100_001 / 2
