"""What the exit sensor says of feeder, hopper and of itself, told apart by the pattern of its pulses.

    one pulse for a push                         all is well
    pulses closer than a ball is long            chatter of the sensor: counted once
    a second pulse within the window of a push   a double feed; twice in a row pauses the run
    no pulse for a push                          twice in a row pauses the run: jam, empty hopper, or a blind sensor
    pulses that belong to no push                a sensor that flickers: `seen` is blank from then on, the run goes on

Rule of this file: it judges; what follows (a pause, a notice) is `progress`'s business.
"""

from dataclasses import dataclass, field
from typing import Literal

from drillfeed.daemon.engine.exits import ExitWatch
from drillfeed.daemon.engine.schedule import Slot
from drillfeed.protocol.texts.catalogue import text

Pulse = Literal["seen", "chatter", "double", "stray"]

# Two balls touch at 40 mm between centres; through the feeder they never follow as fast as 4 m/s. A default of ours.
CHATTER_S = 0.010
DOUBLE_S = 0.300
MAX_UNSEEN = 2
MAX_DOUBLES = 2
MAX_STRAYS = 3


@dataclass
class Leaving:
    """The pulses of one run. `count` is blank where the sensor is not to be trusted."""

    watch: ExitWatch = field(default_factory=ExitWatch)
    seen: int = 0
    strays: int = 0
    unseen_in_row: int = 0
    doubles_in_row: int = 0
    _newest_s: float = float("-inf")
    _paired_s: float = float("-inf")
    _doubled: bool = False

    @property
    def trusted(self) -> bool:
        """Tell whether the sensor's word counts."""
        return self.strays < MAX_STRAYS

    @property
    def count(self) -> int | None:
        """Return how many balls were seen leaving; None where nobody knows."""
        return self.seen if self.trusted else None

    def expect(self, slot: Slot) -> None:
        """A ball was pushed; it should be seen soon."""
        if self.trusted:
            self.watch.expect(slot)

    def expect_no_more(self, slot: Slot) -> None:
        """A ball was not pushed after all."""
        self.watch.forget(slot)

    def pulse(self, at_s: float) -> tuple[Pulse, Slot | None]:
        """Take a pulse of the sensor: what it was, and the ball that was seen by it."""
        since_s, self._newest_s = at_s - self._newest_s, at_s
        if abs(since_s) < CHATTER_S:
            return "chatter", None
        slot = self.watch.saw(at_s)
        if slot is not None:
            self.seen += 1
            self.unseen_in_row = 0
            self.doubles_in_row = self.doubles_in_row if self._doubled else 0
            self._doubled, self._paired_s = False, at_s
            return "seen", slot
        if 0 < at_s - self._paired_s <= DOUBLE_S:
            self.seen += 1
            self.doubles_in_row += not self._doubled
            self._doubled = True
            return "double", None
        self.strays += 1
        return "stray", None

    def unseen(self, now_s: float) -> list[Slot]:
        """Return, once, the balls that nobody saw leaving though a trusted sensor looked.

        A ball of which nobody knows whether it was pushed says nothing of a jam.
        """
        over = self.watch.unseen(now_s) if self.trusted else []
        self.unseen_in_row += sum(slot.outcome == "fed" for slot in over)
        return over

    def trouble(self, hopper_low: bool) -> str | None:
        """Return why the run must be paused, or None."""
        if self.doubles_in_row >= MAX_DOUBLES:
            return text("exit.doubles")
        if self.unseen_in_row < MAX_UNSEEN:
            return None
        guess = "exit.guess-empty" if hopper_low else "exit.guess-jam" if self.seen else "exit.guess-blind"
        return text("exit.none-seen", pushes=MAX_UNSEEN, guess=text(guess))

    def forget_trouble(self) -> None:
        """Count the trouble that was told anew."""
        if self.doubles_in_row >= MAX_DOUBLES:
            self.doubles_in_row, self._doubled = 0, False
        else:
            self.unseen_in_row = 0
