"""The lines of one client that wait for their answers: a bounded row.

Rule of this file: whatever a client sends, at most 64 lines and some counters wait. Each line is answered in its order.
"""

from collections import deque
from dataclasses import dataclass

from drillfeed.protocol.lines import BadLine, Line, Reply

MAX_WAITING_LINES = 64
MAX_WAITING_ENTRIES = 256


@dataclass
class TooFast:
    """`count` lines in a row that were thrown away; each is refused when its turn comes."""

    count: int


@dataclass
class StopCarriedOut:
    """A stop that was carried out at once; its reply comes a moment later."""

    reply: Reply | None = None


@dataclass
class StopAnswer:
    """`count` stop lines in a row, all carried out by one stop; each is answered when its turn comes."""

    stop: StopCarriedOut
    count: int = 1


Waiting = Line | BadLine | TooFast | StopAnswer


class WaitingRow:
    """The waiting lines, in the order they came."""

    def __init__(self) -> None:
        self.entries: deque[Waiting] = deque()
        self._lines = 0

    def __len__(self) -> int:
        return len(self.entries)

    @property
    def full(self) -> bool:
        """Tell whether further lines are thrown away."""
        return self._lines >= MAX_WAITING_LINES

    @property
    def is_one_pause(self) -> bool:
        """Tell whether a single pause is all that waits."""
        head = self.entries[0] if len(self.entries) == 1 else None
        return isinstance(head, Line) and head.text.strip().lower() == "pause"

    def enter(self, event: Line | BadLine) -> None:
        """Take a line, or count it as thrown away if the row is full."""
        if self.full:
            self._enter_too_fast()
        else:
            self._lines += 1
            self.entries.append(event)

    def enter_stop(self, stop: StopCarriedOut) -> None:
        """Take a stop line that `stop` has carried out."""
        last = self.entries[-1] if self.entries else None
        if isinstance(last, StopAnswer) and last.stop is stop:
            last.count += 1
        elif len(self.entries) < MAX_WAITING_ENTRIES:
            self.entries.append(StopAnswer(stop))
        else:
            self._enter_too_fast()

    def take_line(self) -> None:
        """Take the first entry, a line, out of the row."""
        self.entries.popleft()
        self._lines -= 1

    def take(self, head: StopAnswer | TooFast, max_lines: int) -> int:
        """Take up to `max_lines` of the lines for which the first entry stands; return how many were taken."""
        now = min(head.count, max_lines)
        head.count -= now
        if not head.count:
            self.entries.popleft()
        return now

    def clear(self) -> None:
        """Forget all waiting lines."""
        self.entries.clear()
        self._lines = 0

    def _enter_too_fast(self) -> None:
        last = self.entries[-1] if self.entries else None
        if isinstance(last, TooFast):
            last.count += 1
        else:
            self.entries.append(TooFast(1))
