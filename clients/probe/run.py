"""The probe on a real socket and clock: it binds a ROUTER, waits for a driver, and asks before anything turns.

Rules of this file: one thread. Whatever ends the run, the driver gets a stop and a frozen process is continued.
"""

import os
import signal
import time
from collections.abc import Callable

import zmq

from drillfeed.clients.probe import process
from drillfeed.clients.probe.check import Phase
from drillfeed.clients.probe.probe import Probe, Row
from drillfeed.clients.probe.stalls import waited_for_processor_s
from drillfeed.protocol.link import SOCKET_BYTES_MAX

TURN_MS = 2
FRAMES_A_TURN = 256
PARTING_S = 0.2
Ask = Callable[[Probe, Phase], str | None]
ShowRow = Callable[[Row], None]


def run_probe(endpoint: str, probe: Probe, ask: Ask, told: ShowRow, wait_s: float, pid: int | None = None) -> bool:
    """Run the probe on `endpoint`; return False if no driver came within `wait_s`.

    `ask` is called before wheels turn and before balls are asked for: None allows it, a text says why not. `told`
    gets each row as it comes. `pid` is the driver's process, for the checks that freeze it and send it a hang-up.
    Raises zmq.ZMQError if the endpoint can't be bound.
    """
    probe.bench.stalls.waited_s = waited_for_processor_s
    context: zmq.Context[zmq.Socket[bytes]] = zmq.Context()
    socket = context.socket(zmq.ROUTER)
    socket.setsockopt(zmq.LINGER, 0)
    socket.setsockopt(zmq.MAXMSGSIZE, SOCKET_BYTES_MAX)
    frozen = False
    try:
        socket.bind(endpoint)
        end_s = time.monotonic() + wait_s
        shown = 0
        while not probe.done:
            _turn(socket, probe)
            if probe.bench.frozen != frozen and pid is not None:
                frozen = probe.bench.frozen
                os.kill(pid, signal.SIGSTOP if frozen else signal.SIGCONT)
            if probe.bench.hung_up and pid is not None:
                _hang_up(probe, pid)
            if probe.bench.peer is None and time.monotonic() > end_s:
                return False
            met = probe.bench.hello is not None or time.monotonic() > end_s
            if met and (phase := probe.asks_for) is not None:
                _decide(probe, phase, ask(probe, phase))
            for row in probe.rows[shown:]:
                told(row)
            shown = len(probe.rows)
        return True
    except KeyboardInterrupt:
        probe.finish()
        return True
    finally:
        if frozen and pid is not None:
            os.kill(pid, signal.SIGCONT)
        _part(socket, probe)
        socket.close(linger=0)
        context.term()


def _turn(socket: "zmq.Socket[bytes]", probe: Probe) -> None:
    """Wait 2 ms for frames, hand over what came, and send what is due."""
    if socket.poll(TURN_MS):
        for _ in range(FRAMES_A_TURN):
            try:
                peer, *frames = socket.recv_multipart(zmq.NOBLOCK)
            except zmq.Again:
                break
            probe.receive(peer, frames[0] if len(frames) == 1 else b"", time.monotonic())
    probe.advance(time.monotonic())
    _send(socket, probe)


def _send(socket: "zmq.Socket[bytes]", probe: Probe) -> None:
    for peer, frame in probe.bench.out:
        socket.send_multipart([peer, frame], zmq.NOBLOCK)
    probe.bench.out.clear()


def _hang_up(probe: Probe, pid: int) -> None:
    """Send the driver's process one hang-up, unless it ignores hang-ups; then check whether it has ended."""
    if probe.bench.meets_hang_up is None:
        probe.bench.meets_hang_up = process.meets_hang_up(pid)
        if probe.bench.meets_hang_up != "ignored":
            os.kill(pid, signal.SIGHUP)
    probe.bench.gone = process.gone(pid)


def _decide(probe: Probe, phase: Phase, refusal: str | None) -> None:
    if refusal is None:
        probe.allowed.add(phase)
    else:
        probe.decline(phase, refusal)


def _part(socket: "zmq.Socket[bytes]", probe: Probe) -> None:
    """Stop the driver, and give the frame time to go out."""
    if probe.bench.peer is None:
        return
    probe.bench.held = None
    probe.bench.send(probe.bench.order("stop"))
    _send(socket, probe)
    time.sleep(PARTING_S)
