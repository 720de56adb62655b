"""One set on the clock: which ball goes when, and what became of it.

Rule of this file: all times are the daemon's monotonic seconds. A ball is late by being skipped, never by
being thrown late: its slot stays empty and it goes to the end of its set. Axes change only after the
latest moment the ball before can leave.
"""

from collections import deque
from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Literal

from drillfeed.daemon.planning.plan import PlannedBall, SetPlan
from drillfeed.protocol.link import LATE_S, LEAD_S, MIN_LEAD_S, TICK_S, FeedResult
from drillfeed.protocol.texts.catalogue import text

Outcome = Literal["fed", "refused", "skipped", "dropped", "unknown"]

NO_ANSWER_S = 0.5
UNANSWERED = "ball.unanswered"
UNCONFIRMED = "ball.unconfirmed"
"""Ids of why nobody knows what became of a ball."""


@dataclass
class Slot:
    """One place in the set's rhythm, with one ball in it.

    `told`: the driver has its feed. `pushed`: the feeder was told to push; whether it did may still be open. `counted`
    is the outcome that was counted and told last: a ball that was unknown is counted a second time.
    """

    id: int
    n: int
    ball: PlannedBall
    feed_at_s: float
    leaves_s: float
    until_s: float
    set: int = 1
    again: bool = False
    told: bool = False
    pushed: bool = False
    outcome: Outcome | None = None
    counted: Outcome | None = None
    reason: str | None = None
    fed_s: float | None = None

    def count(self) -> Outcome | None:
        """Take the outcome as counted; return the one that was counted before, or None."""
        before, self.counted = self.counted, self.outcome
        return before


class SetRun:
    """A set under way. `taken` counts the balls of the plan that have left the queue; missed ones wait at its end.

    A slot's number is used once in a run: the first slot of a set goes on after `numbered`, the highest number given
    before it. Only a slot of which nothing was told gives its number back, and only where no later one has gone.
    """

    def __init__(self, plan: SetPlan, numbered: int) -> None:
        self.plan = plan
        self.queue: deque[PlannedBall] = deque(plan.balls)
        self.taken = 0
        self._again = 0
        self.slots: list[Slot] = []
        self.fed = 0
        self.missed_in_row = 0
        self.taking_back = False
        self.is_cut = False
        self.numbered = numbered
        self._settled: list[Slot] = []

    @property
    def next_ball(self) -> PlannedBall | None:
        """Return the first ball that has no slot yet."""
        return self.queue[0] if self.queue else None

    @property
    def next_after_pause(self) -> PlannedBall | None:
        """Return the first ball once the open slots of a pause are dropped: those come first again."""
        dropped = () if self.is_cut else (slot.ball for slot in self.slots if slot.outcome is None)
        return next(iter(dropped), self.next_ball)

    @property
    def next_n(self) -> int:
        """Return the number that the next ball without a slot will have."""
        return self.numbered + 1

    def change(self, plan: SetPlan) -> None:
        """Go on by another plan of the same set: from it come all balls that have no slot yet.

        Missed balls still wait at the end, no faster than the new tempo.
        """
        missed = list(self.queue)[len(self.queue) - self._again :]
        again = [replace(ball, gap_s=max(ball.gap_s, plan.interval_s)) for ball in missed]
        fresh = () if self.is_cut else plan.balls[self.taken :]
        self.plan, self.queue = plan, deque((*fresh, *again))

    def begin(self, leaves_s: float, feed_id: int) -> Slot:
        """Give the next ball its slot, leaving at `leaves_s`: the first of the set, or after a pause."""
        self.slots.clear()
        self.taking_back = False
        return self._slot(leaves_s, feed_id)

    def _slot(self, leaves_s: float, feed_id: int) -> Slot:
        again = len(self.queue) == self._again
        ball = self.queue.popleft()
        self.taken, self._again = self.taken + (not again), self._again - again
        self.numbered += 1
        feed_at_s = leaves_s - self.plan.latency_s
        until_s = leaves_s + LATE_S + self.plan.spread_s
        slot = Slot(feed_id, self.numbered, ball, feed_at_s, leaves_s, until_s, self.plan.number, again)
        self.slots.append(slot)
        return slot

    def shift_first(self, by_s: float) -> None:
        """Move the first slot later: the axes have not arrived."""
        slot = self.slots[0]
        slot.feed_at_s += by_s
        slot.leaves_s += by_s
        slot.until_s += by_s

    def plan_ahead(self, now_s: float, change_s: float, feed_id: Callable[[], int]) -> Slot | None:
        """Give the next ball its slot once the axes may soon begin to move for it, at `change_s` at the earliest."""
        if not self.queue or not self.slots or self.slots[-1].until_s > now_s + LEAD_S + 2 * TICK_S:
            return None
        last, ball = self.slots[-1], self.queue[0]
        min_gap_s = self.plan.min_gap_s[last.ball.key, ball.key]
        gap_s = max(ball.gap_s, min_gap_s)
        late_s = max(change_s - last.until_s, 0.0)
        return self._slot(last.leaves_s + max(gap_s, min_gap_s + late_s), feed_id())

    def due(self, now_s: float, closed: str | None, arrived: Callable[[Slot], bool]) -> list[Slot]:
        """Return the slots whose feeds belong into a setpoint sent now.

        `closed` is why none may be, if so; `arrived` tells whether the axes will stand settled when the ball enters.
        """
        due = []
        for slot in self.slots:
            if slot.outcome is not None or slot.feed_at_s - LEAD_S - TICK_S > now_s:
                continue
            if not slot.told and slot.feed_at_s - now_s < MIN_LEAD_S:
                self._settle(slot, "skipped", closed or text("ball.not-there"))
            elif closed is None and slot.feed_at_s > now_s and (slot.told or arrived(slot)):
                slot.told = True
                due.append(slot)
        return due

    def take(self, result: FeedResult, fed_s: float) -> Slot | None:
        """Take what the driver says became of a feed; `fed_s` is its moment on the daemon's clock. Return its slot.

        None where nothing is new. A ball whose push is not confirmed is never put back: it may have gone.
        """
        slot = next((slot for slot in self.slots if slot.id == result.id and slot.outcome is None), None)
        if slot is None or (result.result == "unknown" and slot.pushed):
            return None
        if result.result == "unknown":
            slot.pushed = True
        elif result.result == "done":
            slot.fed_s = fed_s
            self._settle(slot, "fed", None)
        elif slot.pushed or not self.taking_back:
            self._settle(slot, "refused", result.reason)
        else:
            return None
        return slot

    def give_up_unanswered(self, now_s: float) -> None:
        """A feed that was told and never answered: nobody knows yet, and it is not thrown again."""
        for slot in self.slots:
            if slot.outcome is None and slot.told and now_s > slot.until_s + NO_ANSWER_S:
                self._settle(slot, "unknown", text(UNCONFIRMED if slot.pushed else UNANSWERED))

    def revise(self, slot: Slot, result: FeedResult, fed_s: float) -> None:
        """Settle a ball of this set that was unknown; one that did not go is thrown again, if the set goes on."""
        slot.reason = result.reason
        if result.result == "done":
            slot.outcome, slot.fed_s = "fed", fed_s
            self.fed += 1
            return
        slot.outcome = "refused"
        if self.unfinished and not self.is_cut:
            self.queue.append(slot.ball)
            self._again += 1

    def _settle(self, slot: Slot, outcome: Outcome, reason: str | None) -> None:
        slot.outcome, slot.reason = outcome, reason
        self._settled.append(slot)
        if outcome == "fed":
            self.fed += 1
            self.missed_in_row = 0
        elif outcome in ("refused", "skipped"):
            self.missed_in_row += 1
            if not self.is_cut:
                self.queue.append(slot.ball)
                self._again += 1

    def take_back(self) -> None:
        """A pause began: from now on a refusal by the driver settles nothing, until the open slots are dropped."""
        self.taking_back = True

    def forget_misses(self) -> None:
        """Count misses in a row anew."""
        self.missed_in_row = 0

    def settled(self) -> list[Slot]:
        """Return the slots settled since the last call."""
        settled, self._settled = self._settled, []
        return settled

    def drop_open(self) -> None:
        """After a pause, once the driver's status shows the new epoch: balls that did not go wait at the front."""
        for slot in reversed(self.slots):
            if slot.outcome is None and slot.pushed:
                self._settle(slot, "unknown", text(UNCONFIRMED))
            elif slot.outcome is None:
                slot.outcome = "dropped"
                self._give_back(slot)
                if not self.is_cut:
                    self.queue.appendleft(slot.ball)
                    self.taken, self._again = self.taken - (not slot.again), self._again + slot.again

    def _give_back(self, slot: Slot) -> None:
        """Let the next slot have the number of one that comes to nothing, where it is the highest given."""
        if slot.n == self.numbered:
            self.numbered -= 1

    def cut(self) -> None:
        """End the set after the balls that the driver has been told; what it refuses of them is not thrown again."""
        self.is_cut = True
        self.queue.clear()
        self._again = 0
        for slot in reversed(self.slots):
            if not slot.told and slot.outcome is None:
                self._give_back(slot)
        self.slots = [slot for slot in self.slots if slot.told or slot.outcome is not None]

    def window_end_s(self) -> float:
        """Return the latest moment a ball already told may leave."""
        return max((slot.until_s for slot in self.slots if slot.outcome in (None, "fed", "unknown")), default=0.0)

    @property
    def unfinished(self) -> bool:
        """Tell whether a ball is still to be thrown."""
        return bool(self.queue) or any(slot.outcome is None for slot in self.slots)

    def over(self, now_s: float, turn_s: float) -> bool:
        """Tell whether every ball is dealt with, the last window past and the feeder's last turn of `turn_s` ended."""
        return not self.unfinished and all(max(slot.until_s, slot.feed_at_s + turn_s) < now_s for slot in self.slots)

    def prune(self, now_s: float) -> None:
        """Forget slots that are long past, so that a set takes no more memory than its plan."""
        if len(self.slots) > 4:
            keep = self.slots[-4:]
            self.slots = [slot for slot in self.slots[:-4] if slot.outcome is None] + keep
