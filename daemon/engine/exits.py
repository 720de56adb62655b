"""Which ball the exit sensor saw: its pulses paired with the balls that went.

Rule of this file: a ball is `seen` only by a pulse near the moment it was to leave; it is `not seen` only where a
sensor was there to see it and its time is well over. Without a sensor nothing is said at all.
"""

from dataclasses import dataclass, field

from drillfeed.daemon.engine.schedule import Slot

# A ball leaves within the feeder's spread of its moment; a sensor, its board and the clocks get this much on top.
MARGIN_S = 0.15
GIVEN_UP_S = 1.0


@dataclass
class ExitWatch:
    """Balls that went and wait to be seen leaving."""

    waiting: list[Slot] = field(default_factory=list)

    def expect(self, slot: Slot) -> None:
        """A ball was fed: it should be seen leaving soon."""
        self.waiting.append(slot)

    def forget(self, slot: Slot) -> None:
        """A ball did not go: it is waited for no more."""
        self.waiting = [waiting for waiting in self.waiting if waiting is not slot]

    def saw(self, at_s: float) -> Slot | None:
        """Pair a pulse with the ball that was to leave nearest to it; None where there is none so near."""
        near = [slot for slot in self.waiting if abs(at_s - slot.leaves_s) <= slot.until_s - slot.leaves_s + MARGIN_S]
        if not near:
            return None
        slot = min(near, key=lambda slot: abs(at_s - slot.leaves_s))
        self.waiting.remove(slot)
        return slot

    def unseen(self, now_s: float) -> list[Slot]:
        """Return, once, the balls whose time is over without a pulse."""
        over = [slot for slot in self.waiting if now_s > slot.until_s + GIVEN_UP_S]
        self.waiting = [slot for slot in self.waiting if slot not in over]
        return over
