"""One thread that does what may take long, one thing after another, off the loops that may not wait.

Rule of this file: nobody has to wait for it. It is no reason for the process to live on: what hangs in it, as on a disk
that answers no more, is left behind.
"""

import threading
from collections.abc import Callable
from queue import SimpleQueue

import structlog

Work = Callable[[], object]


class Aside:
    """Does work in the order in which it came; a mistake in one piece of it is logged and ends nothing."""

    def __init__(self, name: str) -> None:
        self._waiting: SimpleQueue[Work | None] = SimpleQueue()
        self._log = structlog.get_logger(name)
        self._thread = threading.Thread(target=self._run, name=name, daemon=True)
        self._thread.start()

    def submit(self, work: Work) -> None:
        """Have it done after what waits."""
        self._waiting.put(work)

    def end(self, within_s: float) -> None:
        """Let what waits be done for at most so many seconds, and leave the rest behind."""
        self._waiting.put(None)
        self._thread.join(within_s)

    def _run(self) -> None:
        while (work := self._waiting.get()) is not None:
            try:
                work()
            except Exception:
                self._log.exception("mistake aside")
