"""Where the daemon's own log goes: standard error, plain text without colour.

Rule of this file: a log line that cannot be written, for example on a full disk, is lost. The error ends no thread and
delays no ball.
"""

import contextlib
import sys
from collections.abc import MutableMapping
from typing import Any, TextIO

import structlog

from drillfeed.daemon.shell.output import ReaderGone, plain_stream, unfiltered
from drillfeed.protocol.plain import plain


class Unfailing:
    """A text stream that loses what cannot be written, instead of raising OSError or ReaderGone."""

    def __init__(self, stream: TextIO) -> None:
        self._stream = stream

    def write(self, text: str) -> int:
        """Write the text; lose it on an error."""
        with contextlib.suppress(OSError, ReaderGone):
            self._stream.write(text)
        return len(text)

    def flush(self) -> None:
        """Flush what was written; lose it on an error."""
        with contextlib.suppress(OSError, ReaderGone):
            self._stream.flush()


def _plain_values(log: object, method: str, event: MutableMapping[str, Any]) -> MutableMapping[str, Any]:
    """Make every text of an event plain, so that it stays on its line."""
    return {key: plain(value) if isinstance(value, str) else value for key, value in event.items()}


def log_to_stderr() -> None:
    """Set up structlog for a process of ours."""
    structlog.configure(
        processors=[
            _plain_values,
            structlog.processors.add_log_level,
            structlog.processors.TimeStamper(fmt="iso", utc=True),
            structlog.processors.StackInfoRenderer(),
            structlog.dev.ConsoleRenderer(colors=False),
        ],
        logger_factory=structlog.PrintLoggerFactory(Unfailing(plain_stream(sys.stderr))),  # type: ignore[arg-type]
    )


def tell(line: str, end: str = "\n") -> None:
    """Print a line to standard output at once; lose it on an error, such as a terminal that has gone."""
    print(line, end=end, file=Unfailing(plain_stream(sys.stdout)), flush=True)


def tell_reader(line: str) -> None:
    """Print a line to standard output at once; raise ReaderGone if a pipe was closed, lose it if a terminal has gone.

    For what has work of its own to end in order when its reader goes, such as a foot switch that pauses.
    """
    with contextlib.suppress(OSError):
        print(line, file=plain_stream(sys.stdout), flush=True)


def draw(text: str) -> None:
    """Write our own control characters (a screen, a bell) to standard output at once; lose them on an error."""
    print(text, end="", file=Unfailing(unfiltered(sys.stdout)), flush=True)
