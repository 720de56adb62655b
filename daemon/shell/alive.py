"""Are the loops alive? The service manager's watchdog is fed only if every one of them has moved since the last look.

Rule of this file: if a single loop stands still, the watchdog is not fed. The manager then restarts the daemon, and a
daemon starts at rest.
"""

import asyncio
from collections.abc import Callable, Mapping

import structlog

from drillfeed.daemon.shell.notify import Manager
from drillfeed.protocol.texts.catalogue import text

Counter = Callable[[], int]
LOOKS_A_PERIOD = 3


class Pulse:
    """Looks at the counters of loops, and tells which have moved since the last look."""

    def __init__(self, loops: Mapping[str, Counter]) -> None:
        self._loops = dict(loops)
        self._last = {name: count() for name, count in loops.items()}

    def standing(self) -> list[str]:
        """Return the loops that have not moved since the last look."""
        now = {name: count() for name, count in self._loops.items()}
        still = [name for name, count in now.items() if count == self._last[name]]
        self._last = now
        return still


async def feed(manager: Manager, pulse: Pulse) -> None:
    """Feed the watchdog until cancelled. This runs on the command loop: if that stands still, feeding stops too."""
    if manager.watchdog_s is None:
        return
    log = structlog.get_logger("watchdog")
    while True:
        await asyncio.sleep(manager.watchdog_s / LOOKS_A_PERIOD)
        standing = pulse.standing()
        if standing:
            log.error(text("daemon.loop-stands-still"), loops=standing)
        else:
            manager.tell(WATCHDOG="1")
