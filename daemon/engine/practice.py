"""Practice: what is loaded, what runs, what waits to change it, who plays, and what a coach offers."""

from dataclasses import dataclass

from drillfeed.daemon.drills.profiles import Profile
from drillfeed.daemon.engine.offer import Offer
from drillfeed.daemon.engine.run import DrillRun
from drillfeed.daemon.engine.unconfirmed import Unconfirmed
from drillfeed.daemon.planning.plan import DrillPlan, SetPlan


@dataclass(frozen=True)
class WaitingChange:
    """A plan that waits for its moment, with the command that asked for it and who gave it."""

    plan: DrillPlan
    verb: str
    who: str


class Practice:
    """Owns the loaded plan, the run, the rest, and everything that waits for a moment of the run.

    A run has the loaded plan, but while a single ball is thrown. `rest_until_s` is None unless a timed rest runs.
    After a pause `open_feeds_settled` tells whether the balls that did not go are back in the queue.
    """

    def __init__(self, has_exit_sensor: bool) -> None:
        self._has_exit_sensor = has_exit_sensor
        self.plan: DrillPlan | None = None
        self.run: DrillRun | None = None
        self.waiting: WaitingChange | None = None
        self.queued: WaitingChange | None = None
        self.profile: Profile | None = None
        self.offer: Offer | None = None
        self.rest_until_s: float | None = None
        self.open_feeds_settled = True
        self.told_seconds: int | None = None
        self.unconfirmed = Unconfirmed()

    @property
    def running(self) -> DrillRun:
        """Return the run; only for states that are entered with one."""
        assert self.run is not None
        return self.run

    @property
    def set_to_come(self) -> SetPlan:
        """Return the set that `ready` begins: the next of the running drill, or the first of the queued one."""
        run = self.running
        return self.queued.plan.sets[0] if self.queued is not None and run.is_over else run.set_plan

    def load(self, plan: DrillPlan) -> None:
        """Load a plan in place of whatever was loaded, run or waiting."""
        self.plan, self.run = plan, None
        self.waiting = self.queued = None

    def begin_run(self, plan: DrillPlan, now_s: float) -> DrillRun:
        """Begin a run of a plan: the loaded one, or that of a single ball."""
        self.run = DrillRun(plan, now_s, self._has_exit_sensor)
        return self.run

    def drop_run(self) -> None:
        """Forget the run: what the exit sensor sees from now on belongs to no drill."""
        self.run = None

    def choose(self, profile: Profile | None) -> None:
        """Take the limits of another player; what was planned for the one before is no longer loaded."""
        self.profile = profile
        self.plan = self.waiting = self.queued = None

    def wait(self, change: WaitingChange) -> None:
        """Let a change wait for its moment, in place of one that waits."""
        self.waiting = change

    def queue(self, drill: WaitingChange) -> None:
        """Let a drill follow the running one."""
        self.queued = drill

    def take_waiting(self) -> WaitingChange | None:
        """Take the change that waits, if any, as the loaded plan."""
        change, self.waiting = self.waiting, None
        if change is not None:
            self.plan = change.plan
        return change

    def begin_queued(self, now_s: float) -> WaitingChange | None:
        """Begin the queued drill if the one before it is over; return it, or None."""
        queued = self.queued
        if queued is None or not self.running.is_over:
            return None
        self.queued = self.waiting = None
        self.plan = queued.plan
        self.begin_run(queued.plan, now_s)
        return queued

    def drop_waiting(self) -> None:
        """Forget what waits, since the run has ended; a queued drill becomes the loaded one."""
        if self.queued is not None:
            self.plan = self.queued.plan
        self.queued = self.waiting = None

    def make_offer(self, offer: Offer) -> None:
        """Put an offer in place of any earlier one."""
        self.offer = offer

    def rest_until(self, until_s: float | None) -> None:
        """Rest until then; None waits for the player."""
        self.rest_until_s = until_s

    def expect_settling(self) -> None:
        """A pause began: balls that were told to the driver may still go."""
        self.running.set_run.take_back()
        self.open_feeds_settled = False

    def settle_open_feeds(self) -> None:
        """The driver shows the epoch of the pause: put back into the queue what did not go."""
        if not self.open_feeds_settled:
            self.running.set_run.drop_open()
            self.open_feeds_settled = True

    def begin_countdown(self) -> None:
        """A first ball comes: no second is told yet."""
        self.told_seconds = None

    def tell_second(self, seconds: int) -> None:
        """Remember the second that was told last."""
        self.told_seconds = seconds
