"""A driver's own log: one JSON object a line, appended and handed to the system line by line.

Rule of this file: it writes only what was done or seen here. DRIVER_LOG.md lists the events.
"""

import json
import math
from pathlib import Path
from types import TracebackType
from typing import BinaryIO


class EventLog:
    """An append-only file of events; without a path it keeps nothing. Lines lost to a full disk are only counted."""

    def __init__(self, path: Path | None) -> None:
        """Open the file for appending, unbuffered: a line is in the file when the call returns."""
        self._file: BinaryIO | None = None if path is None else path.open("ab", buffering=0)
        self.lost = 0

    def __call__(self, event: str, t: float, /, **what: object) -> None:
        """Write one event at `t` seconds of the driver's clock."""
        if self._file is None:
            return
        told: dict[str, object] = {"t": round(t, 6), "event": event}
        for key, value in what.items():
            told[key] = None if isinstance(value, float) and not math.isfinite(value) else value
        try:
            self._file.write(json.dumps(told, separators=(",", ":")).encode() + b"\n")
        except OSError:
            self.lost += 1

    def close(self) -> None:
        """Close the log."""
        if self._file is not None:
            self._file.close()

    def __enter__(self) -> "EventLog":
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()
