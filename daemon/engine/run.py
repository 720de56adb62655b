"""A drill under way: its sets, its counts, its bounds."""

from dataclasses import dataclass, field

from drillfeed.daemon.engine.leaving import Leaving
from drillfeed.daemon.engine.schedule import SetRun, Slot
from drillfeed.daemon.engine.tally import Tally
from drillfeed.daemon.planning.plan import DrillPlan, SetPlan


@dataclass
class DrillRun:
    """Counts are what is known: `commanded` was told and done by the driver, `seen` left past the exit sensor."""

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

    def count(self, slot: Slot) -> None:
        """Count a settled slot."""
        self.last = slot
        if slot.outcome == "fed":
            self.commanded += 1
            self.tally.went(slot.n, slot.set)
            if self.has_exit_sensor:
                self.leaving.expect(slot)
        elif slot.outcome == "refused":
            self.refused += 1
        elif slot.outcome == "skipped":
            self.skipped += 1
        elif slot.outcome == "unknown":
            self.unknown += 1
