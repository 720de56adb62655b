"""A drill under way: its sets, its counts, its bounds."""

from dataclasses import dataclass, field

from drillfeed.daemon.engine.leaving import Leaving
from drillfeed.daemon.engine.schedule import SetRun, Slot
from drillfeed.daemon.engine.tally import Tally
from drillfeed.daemon.planning.plan import DrillPlan, SetPlan
from drillfeed.protocol.link import FeedResult


@dataclass
class DrillRun:
    """Counts are what is known: `commanded` was told and done by the driver, `seen` left past the exit sensor.

    A ball that is `unknown` moves to where it belongs as soon as the driver says what became of it.
    """

    plan: DrillPlan
    started_s: float
    has_exit_sensor: bool
    index: int = 0
    commanded: int = 0
    refused: int = 0
    skipped: int = 0
    unknown: int = 0
    last: Slot | None = None
    tally: Tally = field(default_factory=Tally)
    leaving: Leaving = field(default_factory=Leaving)
    set_run: SetRun = field(init=False)

    def __post_init__(self) -> None:
        self.set_run = SetRun(self.plan.sets[0], 0)

    @property
    def set_plan(self) -> SetPlan:
        """Return the plan of the present set."""
        return self.plan.sets[self.index]

    @property
    def has_next(self) -> bool:
        """Tell whether another set follows."""
        return self.index + 1 < len(self.plan.sets)

    @property
    def seen(self) -> int | None:
        """Return how many balls the exit sensor saw; None where there is none, or none to be trusted."""
        return self.leaving.count if self.has_exit_sensor else None

    @property
    def ends_s(self) -> float:
        """Return when the run's time is over."""
        return self.started_s + self.plan.drill.max_minutes * 60

    @property
    def is_over(self) -> bool:
        """Tell whether every ball of the last set has had its slot."""
        return not self.has_next and self.set_run.next_ball is None

    def next_set(self) -> None:
        """Go to the next set; its balls are numbered on from the last number given."""
        self.index += 1
        self.set_run = SetRun(self.plan.sets[self.index], self.set_run.numbered)

    def change(self, plan: DrillPlan) -> SetRun:
        """Go on by another plan of the same drill, from the first ball without a slot."""
        self.plan = plan
        self.set_run.change(plan.sets[self.index])
        return self.set_run

    def take(self, result: FeedResult, fed_s: float) -> None:
        """Take what the driver says became of a feed; a ball that may have been pushed may be seen leaving."""
        slot = self.set_run.take(result, fed_s)
        if slot is None or not slot.pushed or not self.has_exit_sensor:
            return
        if slot.outcome is None:
            self.leaving.expect(slot)
        elif slot.outcome == "refused":
            self.leaving.expect_no_more(slot)

    def count(self, slot: Slot) -> None:
        """Count a settled slot; one that was counted as unknown before moves to its place."""
        before = slot.count()
        if before is None:
            self.last = slot
        else:
            self.unknown -= 1
        if slot.outcome == "fed":
            self.commanded += 1
            self.tally.went(slot.n, slot.set)
            if self.has_exit_sensor and not slot.pushed and before is None:
                self.leaving.expect(slot)
        elif slot.outcome == "refused":
            self.refused += 1
        elif slot.outcome == "skipped":
            self.skipped += 1
        elif slot.outcome == "unknown":
            self.unknown += 1
