"""What comes in from the driver: frames, a new driver, what its status says of balls and axes."""

from drillfeed.daemon.engine import decision as do
from drillfeed.daemon.engine.apply import carry_out
from drillfeed.daemon.engine.contradictions import Sent, in_reason
from drillfeed.daemon.engine.decision import decide
from drillfeed.daemon.engine.events import DriverConnected, DriverContradicts, DriverMisfit
from drillfeed.daemon.engine.fault import Fault
from drillfeed.daemon.engine.settling import take_exits, take_results
from drillfeed.daemon.engine.turn import Turn
from drillfeed.protocol.link import Status
from drillfeed.protocol.texts.catalogue import text


class Intake:
    """Takes frames, and remembers the newest pulse of the exit sensor; None before the first status of a driver."""

    def __init__(self) -> None:
        self._exits_seen: int | None = None

    def take(self, turn: Turn, peer: bytes, frame: bytes) -> None:
        """Take one frame from the link."""
        link = turn.parts.link
        boot = link.driver.hello.boot if link.driver else None
        status = link.receive(peer, frame, turn.now_s)
        if link.driver is not None and link.driver.hello.boot != boot:
            self._exits_seen = None
            turn.parts.doubts.forget()
            _new_driver(turn)
        if status is None:
            return
        _doubt(turn, status)
        status = in_reason(status)
        take_results(turn, status)
        take_exits(turn, status, self._exits_seen)
        self._exits_seen = max((pulse.n for pulse in status.exits), default=0)
        turn.parts.motion.see(status, turn.now_s)


def _doubt(turn: Turn, status: Status) -> None:
    """Tell what a status contradicts, once it was seen several times."""
    parts, link = turn.parts, turn.parts.link
    may_be_armed = parts.mode.state != "IDLE" or parts.pending.command is not None
    sent = Sent(parts.machine, link.session, link.epoch, link.seq, link.newest_id, may_be_armed)
    for line in parts.doubts.see(status, sent, turn.now_s):
        turn.tell(DriverContradicts(turn.now_s, line))


def _new_driver(turn: Turn) -> None:
    driver = turn.parts.link.driver
    assert driver is not None
    turn.tell(DriverConnected(turn.now_s, driver.hello.boot, driver.hello.driver))
    for line in driver.mismatch:
        turn.tell(DriverMisfit(turn.now_s, line))
    if turn.parts.mode.state not in ("OFFLINE", "IDLE", "FAULT"):
        seen, hint, step = text("seen.restarted"), text("hint.driver-restarted"), text("step.clear")
        carry_out(turn, decide(do.Latch(Fault("driver-restarted", seen, turn.now_s, hint, step))))
