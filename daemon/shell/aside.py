"""One thread that does slow work, one piece after another, away from the loops that may not wait.

Rule of this file: nobody has to wait for this thread, and it does not keep the process alive. If its work hangs, for
example on a disk that no longer answers, the process ends without it.
"""

import threading
from collections.abc import Callable
from queue import SimpleQueue

import structlog

Work = Callable[[], object]


class Aside:
    """Does work in the order in which it came; it logs a mistake in one piece and goes on with the next."""

    def __init__(self, name: str) -> None:
        self._waiting: SimpleQueue[Work | None] = SimpleQueue()
        self._log = structlog.get_logger(name)
        self._thread = threading.Thread(target=self._run, name=name, daemon=True)
        self._thread.start()

    def submit(self, work: Work) -> None:
        """Do `work` after the work that already waits."""
        self._waiting.put(work)

    def end(self, within_s: float) -> None:
        """Give the waiting work at most `within_s` seconds, then leave the rest undone."""
        self._waiting.put(None)
        self._thread.join(within_s)

    def _run(self) -> None:
        while (work := self._waiting.get()) is not None:
            try:
                work()
            except Exception:
                self._log.exception("mistake aside")
