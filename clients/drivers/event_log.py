"""A driver's own log: one JSON object a line, appended and handed to the system line by line.

Rule of this file: what is written was done or seen here; DRIVER_LOG.md lists the events.
"""

import json
from pathlib import Path
from types import TracebackType
from typing import TextIO


class EventLog:
    """An append-only file of events; with no path it keeps nothing. A full disk is counted, and stops nothing."""

    def __init__(self, path: Path | None) -> None:
        """Open the file for appending."""
        self._file: TextIO | None = None if path is None else path.open("a", encoding="utf-8", buffering=1)
        self.lost = 0

    def __call__(self, event: str, t: float, /, **what: object) -> None:
        """Write one event at `t` seconds of the driver's clock."""
        if self._file is None:
            return
        line = json.dumps({"t": round(t, 6), "event": event, **what}, separators=(",", ":"), allow_nan=False)
        try:
            self._file.write(line + "\n")
        except OSError:
            self.lost += 1

    def __enter__(self) -> "EventLog":
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        if self._file is not None:
            self._file.close()
