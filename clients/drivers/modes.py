"""The mode of one driver: disarmed, armed, stopping or tripped, and what leads from one to another.

Rules of this file: a stop acts at once and in any mode; nothing arms by itself, and an epoch's arm is judged once.
Clause numbers are those of LINK.md.
"""

import json

from drillfeed.clients.drivers.board import Board, DriverTraits, Note
from drillfeed.clients.drivers.feed_gate import FeedGate
from drillfeed.clients.drivers.outputs import Outputs
from drillfeed.clients.drivers.report import Mode, Reporter
from drillfeed.clients.drivers.targets import TargetQueue
from drillfeed.protocol.link import FRAME_BYTES_MAX

STOP_KINDS = ("stop", "disarm")
REST_TIMEOUT_FACTOR = 1.5


class Modes:
    """The mode and its reason. It closes the gate, drops the queue and cuts the board where a change of mode asks it.

    `epoch` is the current epoch, `seq` the newest setpoint read in it.
    """

    def __init__(
        self,
        traits: DriverTraits,
        board: Board,
        outputs: Outputs,
        gate: FeedGate,
        queue: TargetQueue,
        report: Reporter,
        note: Note,
    ) -> None:
        """Begin disarmed."""
        self.mode: Mode = "disarmed"
        self.reason: str | None = None
        self._traits, self._board, self._outputs, self._gate = traits, board, outputs, gate
        self._queue, self._report, self._note = queue, report, note
        self._judged_epoch = -1
        self._trip_reason = ""

    def new_session(self) -> None:
        """Forget which arm was judged: a new session counts its epochs from the start."""
        self._judged_epoch = -1

    def enter(self, mode: Mode, reason: str | None, now: float) -> None:
        """Enter a mode, or give a new reason for the present one."""
        reason = None if reason is None else reason[:200]
        if (mode, reason) != (self.mode, self.reason):
            self._note("mode", now, mode=mode, reason=reason, was=self.mode, exits=self._report.exit_count)
            self.mode, self.reason = mode, reason

    def arm(self, epoch: int, limits_agreed: bool, now: float) -> bool:
        """Arm, unless this epoch's arm was judged already: a late copy of an order must start nothing (L20).

        Returns whether it armed.
        """
        if self.mode == "armed" or epoch <= self._judged_epoch:
            return False
        self._judged_epoch = epoch
        reason = self._arm_obstacle(limits_agreed, now)
        if reason is not None:
            where = f"{self._trip_reason}; " if self.mode == "tripped" else ""
            self.enter(self.mode, f"{where}arm refused: {reason}", now)
            return False
        self._queue.drop()
        self.enter("armed", None, now)
        return True

    def _arm_obstacle(self, limits_agreed: bool, now: float) -> str | None:
        if self.mode != "disarmed":
            return f"mode is {self.mode}"
        if not limits_agreed:
            return "limits not agreed"
        rest, how = self._outputs.at_rest(now)
        if rest:
            return None
        return "wheels not at rest" if rest is False else f"rest is {how}"

    def clear(self, now: float) -> None:
        """Leave `tripped` if the wheels are at rest. No output changes (L21)."""
        if self.mode != "tripped":
            return
        rest, _ = self._outputs.at_rest(now)
        if rest:
            self.enter("disarmed", None, now)
        else:
            self.enter("tripped", f"{self._trip_reason}; clear refused: wheels not at rest", now)

    def stop(self, kind: str, whose: str, epoch: int, seq: int | None, now: float) -> None:
        """Cut feeder and agitator at once, then bring the wheels down (L18)."""
        self._note(kind, now, whose=whose, mode=self.mode, exits=self._report.exit_count)
        self._board.cut()
        self._gate.close(kind, seq, now)
        self._queue.drop()
        self._judged_epoch = max(self._judged_epoch, epoch)
        if self.mode == "armed":
            self.wind_down(kind, epoch, now)

    def wind_down(self, reason: str, epoch: int, now: float) -> None:
        """Cut feeder and agitator, and bring the wheels down from `armed`."""
        self._board.cut()
        self._judged_epoch = max(self._judged_epoch, epoch)
        rest, _ = self._outputs.at_rest(now)
        self.enter("disarmed" if rest else "stopping", reason, now)

    def trip(self, reason: str, epoch: int, seq: int | None, now: float) -> None:
        """Close the feed, cut the feeder, drop the queue and latch; the wheels then go down without help."""
        self._trip_reason = reason
        self._judged_epoch = max(self._judged_epoch, epoch)
        self._gate.close(reason, seq, now)
        self._board.cut()
        self._queue.drop()
        self.enter("tripped", reason, now)

    def settle(self, now: float) -> None:
        """End `stopping` at rest, or after one and a half times the spin-down; say so if rest was not seen (L23)."""
        if self._outputs.turning:
            return
        rest, how = self._outputs.at_rest(now)
        if rest:
            self.enter("disarmed", f"at rest ({how}) after {self.reason}", now)
        elif now - self._outputs.last_turning_s > REST_TIMEOUT_FACTOR * self._traits.spin_down_s:
            self.enter("disarmed", f"outputs at zero, rest not seen, after {self.reason}", now)


def stop_kind(frame: bytes) -> str | None:
    """Return `stop` or `disarm` if an otherwise invalid frame is still a JSON object of that kind (L19)."""
    if len(frame) > FRAME_BYTES_MAX:
        return None
    try:
        told = json.loads(frame)
    except (ValueError, RecursionError):
        return None
    kind = told.get("kind") if isinstance(told, dict) else None
    return kind if kind in STOP_KINDS else None
