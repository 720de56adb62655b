"""How the engine's events reach clients: the type of that call, and the bounded ring behind `watch`.

Rule of this file: the ring never grows; a client that falls behind is told how many notices it missed.
"""

from collections import deque
from collections.abc import Callable, Iterable

from drillfeed.daemon.engine.effects import Effects
from drillfeed.daemon.engine.events import Event
from drillfeed.daemon.engine.wording import worded
from drillfeed.protocol.status import Notice

Deliver = Callable[[Effects], None]
RING = 512


class NoticeRing:
    """The last notices by serial. Written by the control loop, read by the line server."""

    def __init__(self, size: int = RING) -> None:
        self._kept: deque[Notice] = deque(maxlen=size)
        self._serial = 0

    def add(self, events: Iterable[Event]) -> None:
        """Keep events as notices."""
        for event in events:
            self._serial += 1
            told = worded(event)
            self._kept.append(
                Notice(serial=self._serial, topic=told.topic, text=told.text, cue=told.cue, fields=dict(told.fields))
            )

    def since(self, serial: int) -> tuple[list[Notice], int]:
        """Return the notices after `serial` that are still kept, and how many are not."""
        kept = list(self._kept)
        newer = [notice for notice in kept if notice.serial > serial]
        first = newer[0].serial if newer else self._serial + 1
        return newer, max(first - serial - 1, 0)
