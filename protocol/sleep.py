"""Sleep of a computer, as both ends of the link find it out: clause L31 of LINK.md.

Rule of this file: no clock is read here. What comes in is how long the computer has slept in all, by the difference of
a clock that counts sleep and one that does not.
"""

SLEPT_S = 0.500
"""A sleep above this ends what was under way; shorter ones add up to it."""
MACHINE_SLEPT = "machine-slept"
"""How the fault of the daemon is called, and how the reason of a driver that tripped for it begins."""


class SleepWatch:
    """Tells each sleep once. The first reading is where it begins; a smaller one than before tells nothing."""

    def __init__(self) -> None:
        self._known_s: float | None = None

    def gap_s(self, asleep_s: float) -> float | None:
        """Take how long the computer has slept in all; return by how much that grew since, or None up to 0.5 s."""
        if self._known_s is None:
            self._known_s = asleep_s
        gap_s = asleep_s - self._known_s
        if gap_s <= SLEPT_S:
            return None
        self._known_s = asleep_s
        return gap_s
