"""The parts of the engine: one owner for each kind of state, and the facts that are read off several of them.

Rule of this file: nothing here changes anything. Commands, hazards and progress read the parts and return a decision;
`apply.py`, `intake.py` and `outgoing.py` alone call what changes a part.
"""

from dataclasses import dataclass

from drillfeed.daemon.engine.contradictions import Doubts
from drillfeed.daemon.engine.driver import DriverLink
from drillfeed.daemon.engine.feeder import Feeder
from drillfeed.daemon.engine.hold import Hold
from drillfeed.daemon.engine.link_condition import feed_trouble
from drillfeed.daemon.engine.mode import Mode
from drillfeed.daemon.engine.motion import Motion
from drillfeed.daemon.engine.pending import Pending
from drillfeed.daemon.engine.practice import Practice
from drillfeed.daemon.engine.run import DrillRun
from drillfeed.daemon.engine.standing import rest_of
from drillfeed.daemon.engine.states import RUNNING
from drillfeed.daemon.machine import Machine
from drillfeed.protocol.link import WATCHDOG_STOP_S
from drillfeed.protocol.status import Known
from drillfeed.protocol.texts.catalogue import text

REST_SLACK_S = 2.0


@dataclass(frozen=True)
class Parts:
    """One thrower, one driver, one practice."""

    machine: Machine
    mode: Mode
    practice: Practice
    motion: Motion
    feeder: Feeder
    hold: Hold
    pending: Pending
    doubts: Doubts
    link: DriverLink

    @property
    def live_run(self) -> DrillRun | None:
        """Return the run that is under way; one that has ended changes no more."""
        return self.practice.run if self.mode.state in RUNNING else None

    @property
    def in_setup(self) -> bool:
        """Tell whether set-up is on."""
        return self.mode.state == "SETUP"

    @property
    def hopper_empty(self) -> str | None:
        """Return how it is known that the hopper is empty, or None."""
        if self.feeder.balls_left == 0:
            return text("hopper.empty-by-count")
        if self.link.status is not None and self.link.status.hopper == "empty":
            return text("hopper.empty-seen")
        return None

    @property
    def hopper_low(self) -> bool:
        """Tell whether few balls are left, by the count or by the driver's word."""
        seen_low = self.link.status is not None and self.link.status.hopper in ("low", "empty")
        return seen_low or self.feeder.is_low

    def at_rest(self, now_s: float) -> tuple[bool | None, Known]:
        """Tell whether the wheels stand, and how that is known: by the driver's status, or else by the time since."""
        status = self.link.status
        if status is not None and self.link.status_age_s(now_s) <= WATCHDOG_STOP_S:
            return rest_of(status, self.machine)
        for_s = now_s - self.mode.since_s
        if self.mode.state in ("STOPPING", "QUICKSTOP") and for_s > self.machine.spin_down_s + REST_SLACK_S:
            return True, "assumed"
        return None, "unknown"

    def feed_closed(self, now_s: float) -> str | None:
        """Return why no ball may be fed just now, or None."""
        if self.in_setup:
            return self.hold.feed_closed(now_s) or feed_trouble(self.link, now_s)
        if self.mode.state != "FEEDING":
            return text("feed.state", state=self.mode.state)
        return feed_trouble(self.link, now_s)
