"""A pause behind nothing of its own client waits neither for the rest after another's flood nor for the next tick."""

import json
from typing import Any, cast

import zmq

from drillfeed.daemon.engine.effects import Effects
from drillfeed.daemon.engine.request import Request
from drillfeed.daemon.shell.control import ControlLoop
from drillfeed.daemon.shell.line_server import LineServer
from drillfeed.daemon.simulation import PLAYER
from drillfeed.protocol.commands import parse
from tests.shell.fake_desk import FakeDesk, Peer, play, until
from tests.support.halls import WatchedHall, drill_plan

LONG_S = 60.0


def test_a_pause_is_handed_over_while_the_server_rests_from_a_flood() -> None:
    """In the rest after a long turn a pause reaches the desk; another command waits, and a pause behind one as well."""

    async def story(desk: FakeDesk, server: LineServer, port: int) -> None:
        pausing, other, behind = [await Peer.tcp(port) for _ in range(3)]
        await until(lambda: server.connections == 3)
        server._rests_until_s = server.loop_time() + LONG_S
        other.send(b"balls 12\n")
        behind.send(b"balls 13\npause\n")
        pausing.send(b"pause\n")
        await until(lambda: "pause" in desk.order)
        assert desk.order == ["pause"]

    play(story)


def test_a_pause_goes_to_the_driver_at_once() -> None:
    """The setpoint that closes the feed is sent with the pause, not with the next tick up to 20 ms later."""

    class Wire:
        def __init__(self) -> None:
            self.sent: list[dict[str, Any]] = []

        def send_multipart(self, parts: list[bytes], flags: int) -> None:
            self.sent.append(json.loads(parts[1]))

    hall = WatchedHall().feeding(drill_plan(sets=(20,)))
    before = hall.engine.parts.link.epoch
    control = ControlLoop(hall.engine, "inproc://nowhere", None, lambda effects: None)
    hall.engine.take_effects = Effects  # type: ignore[method-assign, assignment]
    wire = Wire()
    control.post(Request(parse("pause"), PLAYER, 1))
    control._take(cast("zmq.Socket[bytes]", wire), None, hall.hall.now_s + 0.001)
    told = [frame for frame in wire.sent if frame["kind"] == "setpoint" and frame["epoch"] > before]
    control._wake_read.close()
    control._wake_write.close()
    assert told and not any(frame["feeding"] for frame in told)
