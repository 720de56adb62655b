"""Motion: what the axes are asked to do and when, the limiter behind it, and the windows in which a ball may leave."""

from collections.abc import Iterator

from drillfeed.daemon.engine.axes import Axes
from drillfeed.daemon.engine.following_error import FollowingError
from drillfeed.daemon.engine.standing import StandingWatch
from drillfeed.daemon.engine.timeline import Targets, TargetTimeline
from drillfeed.daemon.machine import Machine
from drillfeed.daemon.planning.tilt_drift import moves
from drillfeed.protocol.link import MIN_LEAD_S, TICK_S, Limits, Status


class Motion:
    """Owns the axes' targets over time and the grid of setpoints. All times are the daemon's monotonic seconds.

    `may_leave_until_s`: the latest moment a ball already fed may leave after a stop. `hold_until_s`: until when the
    wheels are held in a pause. `spinup_due_s`, `arrived_s`: when the axes should arrive, and since when they stand
    there. `homed_boot`: the driver whose unmeasured tilt has found its end stop. `tilt_moves`: how often the tilt has
    moved since then; `tilt_told`: it was told that this is too often.
    """

    def __init__(self, machine: Machine, limits: Limits, now_s: float) -> None:
        self.axes = Axes(machine, limits)
        self.timeline = TargetTimeline()
        self.following_error = FollowingError(machine)
        self.standing = StandingWatch(machine)
        self.quick = False
        self.may_leave_until_s: float | None = None
        self.hold_until_s: float | None = None
        self.spinup_due_s = now_s
        self.arrived_s: float | None = None
        self.homed_boot: str | None = None
        self.tilt_moves = 0
        self.tilt_told = False
        self._by_time = machine.tilt.by_time
        self.next_at_s = now_s
        self._epoch_unsent = False

    def put(self, from_s: float, targets: Targets) -> None:
        """Ask for `targets` from a moment on."""
        self.timeline.put(from_s, targets)

    def begin_epoch(self, now_s: float) -> None:
        """The next setpoint is the first of a new epoch: 100 ms ahead, going on from what is in force then."""
        self.next_at_s = now_s + MIN_LEAD_S
        self._epoch_unsent = True

    def use_quick_rates(self) -> None:
        """Run down at the quick rates, as for a stop."""
        self.quick = True

    def use_plain_rates(self) -> None:
        """End the quick rates."""
        self.quick = False

    def may_leave_until(self, until_s: float | None) -> None:
        """Until then a ball already fed may leave; None if none was."""
        self.may_leave_until_s = until_s

    def hold_until(self, until_s: float | None) -> None:
        """Hold the wheels until then; None ends the hold."""
        self.hold_until_s = until_s

    def home(self, boot: str) -> None:
        """Remember the driver whose tilt is sent to its end stop; what its moves summed up is gone then."""
        self.homed_boot = boot
        self.tilt_moves, self.tilt_told = 0, False

    def forget_home(self) -> None:
        """Nobody knows where a tilt by time stands: it finds its end stop at the next start."""
        if self._by_time:
            self.homed_boot = None

    def move_tilt(self, from_deg: float, to_deg: float) -> None:
        """Count a move of the tilt."""
        self.tilt_moves += moves(from_deg, to_deg)

    def tell_drift(self) -> None:
        """The drift of a tilt by time was told."""
        self.tilt_told = True

    def expect_arrival(self, due_s: float) -> None:
        """The axes set off and should stand at the first ball's setting by `due_s`."""
        self.spinup_due_s = due_s
        self.arrived_s = None
        self.hold_until_s = None

    def note_arrival(self, stand: bool, now_s: float) -> None:
        """Take whether the axes stand at the first ball's setting; once they did and no longer do, wait anew."""
        if stand and self.arrived_s is None:
            self.arrived_s = now_s
        elif not stand and self.arrived_s is not None:
            self.arrived_s, self.spinup_due_s = None, max(self.spinup_due_s, now_s)

    def seed(self, status: Status) -> None:
        """Seed the limiter from what was measured."""
        self.axes.seed(status)

    def cap_rims(self, max_mps: float | None) -> None:
        """Let no rim pass so many m/s."""
        self.axes.cap_rims(max_mps)

    def see(self, status: Status, now_s: float) -> None:
        """Compare what is measured with what is driven."""
        self.following_error.see(status, now_s)
        self.standing.see(status, now_s)

    def begin_tick(self, now_s: float) -> None:
        """Skip what is nearer than the least lead; begin the setpoints of a new epoch from what is in force now."""
        self.next_at_s = max(self.next_at_s, now_s + MIN_LEAD_S)
        if self._epoch_unsent:
            self._epoch_unsent = False
            self.axes.limiter.restart(now_s, self.next_at_s)

    def moments(self, until_s: float) -> Iterator[float]:
        """Yield the moments of the setpoints that are still to be sent up to `until_s`."""
        while self.next_at_s <= until_s:
            at_s, self.next_at_s = self.next_at_s, self.next_at_s + TICK_S
            yield at_s
