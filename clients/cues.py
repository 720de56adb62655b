"""How cues sound on a terminal's bell: one row for each cue, which differ in the number of bells and their spacing.

Rule of this file: no I/O and no clock. A bell never comes alone: the words of the cue are shown with it.
"""

from collections import deque

from drillfeed.protocol.status import CUES
from drillfeed.protocol.texts.catalogue import text

CLOSE_S, APART_S = 0.12, 0.35
# The moments of the bells, in seconds after the cue. A pause is two separate bells; a fault rings for long.
BELLS: dict[str, tuple[float, ...]] = {
    "tick": (0.0,),
    "wheels": (0.0, CLOSE_S, 2 * CLOSE_S),
    "pause": (0.0, APART_S),
    "set-end": (0.0, CLOSE_S, APART_S),
    "drill-end": (0.0, CLOSE_S, APART_S, APART_S + CLOSE_S),
    "stop": (0.0, CLOSE_S, 2 * CLOSE_S, 3 * CLOSE_S, 4 * CLOSE_S),
    "fault": tuple(n * APART_S for n in range(6)),
    "hopper-low": (0.0, 2 * APART_S),
    "change": (0.0, CLOSE_S),
    "offer": (0.0, APART_S, 2 * APART_S),
}
MAX_WAITING = 32


class Bells:
    """The bells that are still to come."""

    def __init__(self) -> None:
        self._due_s: deque[float] = deque(maxlen=MAX_WAITING)

    def ring(self, cue: str, now_s: float) -> None:
        """Add the bells of a cue after the bells that are still due; an unknown cue rings once."""
        begin_s = max([now_s, *(due_s + APART_S for due_s in self._due_s)])
        self._due_s.extend(begin_s + after_s for after_s in BELLS.get(cue, (0.0,)))

    def due(self, now_s: float) -> int:
        """Take off all bells that are due; return 1 if there was any, else 0."""
        count = 0
        while self._due_s and self._due_s[0] <= now_s:
            self._due_s.popleft()
            count += 1
        return min(count, 1)


def shown(cue: str, told: str) -> str:
    """Return a cue as a line to read: its word, its meaning, and the text of the notice."""
    return f"[{cue}] {text(f'cue.{cue}') if cue in CUES else cue}" + (f": {told}" if told else "")
