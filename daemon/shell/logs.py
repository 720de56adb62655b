"""Where the daemon's own log goes: standard error, one line an event, colour only on a terminal.

Rule of this file: a log that cannot be written, as on a full disk, is lost; it ends no thread and holds up no ball.
"""

import contextlib
import sys
from typing import TextIO

import structlog


class Unfailing:
    """A text stream that loses what cannot be written, in place of raising OSError."""

    def __init__(self, stream: TextIO) -> None:
        self._stream = stream

    def write(self, text: str) -> int:
        """Write the text, or lose it."""
        with contextlib.suppress(OSError):
            self._stream.write(text)
        return len(text)

    def flush(self) -> None:
        """Hand on what was written, or lose it."""
        with contextlib.suppress(OSError):
            self._stream.flush()


def log_to_stderr() -> None:
    """Set up structlog for a process of ours."""
    structlog.configure(
        processors=[
            structlog.processors.add_log_level,
            structlog.processors.TimeStamper(fmt="iso", utc=True),
            structlog.processors.StackInfoRenderer(),
            structlog.dev.ConsoleRenderer(colors=sys.stderr.isatty()),
        ],
        logger_factory=structlog.PrintLoggerFactory(Unfailing(sys.stderr)),  # type: ignore[arg-type]
    )


def tell(line: str, end: str = "\n") -> None:
    """Print a line to standard output at once, or lose it, as where the terminal has gone."""
    print(line, end=end, file=Unfailing(sys.stdout), flush=True)
