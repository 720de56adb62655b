"""What a sub-command prints, on its way to a terminal or a pipe: plain text, and a quiet end where nobody reads on.

Rule of this file: all that sub-commands and logs write goes through `Plain`. What a sub-command of ours draws itself
(a screen, a bell) goes past it, by `unfiltered`, and is made plain line by line before.
"""

import contextlib
import os
import sys
from collections.abc import Iterator
from typing import Any, TextIO, cast

from drillfeed.protocol.plain import plain_lines

GONE = 1


class ReaderGone(SystemExit):
    """Whoever read our output has closed it. No OSError, so that nobody takes it for a fault of a file or a socket."""


class Plain:
    """A text stream that lets only plain text and newlines pass; everything else is that of the stream behind it."""

    def __init__(self, stream: TextIO) -> None:
        self.unfiltered: TextIO = stream

    def write(self, text: str) -> int:
        """Write text, what the stream's encoding has not as `?`; raise ReaderGone where nobody reads any more."""
        shown = plain_lines(text)
        encoding = getattr(self.unfiltered, "encoding", None) or "utf-8"
        with _quietly():
            self.unfiltered.write(shown.encode(encoding, "replace").decode(encoding))
        return len(text)

    def writelines(self, lines: list[str]) -> None:
        """Write each of the lines."""
        for line in lines:
            self.write(line)

    def flush(self) -> None:
        """Hand on what was written; raise ReaderGone where nobody reads any more."""
        with _quietly():
            self.unfiltered.flush()

    def __getattr__(self, name: str) -> Any:
        return getattr(self.unfiltered, name)


@contextlib.contextmanager
def _quietly() -> Iterator[None]:
    try:
        yield
    except BrokenPipeError:
        raise ReaderGone(GONE) from None


def plain_stream(stream: TextIO) -> TextIO:
    """Return a stream that lets only plain text pass; one that does so already as it is."""
    return stream if isinstance(stream, Plain) else cast(TextIO, Plain(stream))


def unfiltered(stream: TextIO) -> TextIO:
    """Return the stream behind a plain one, for what a sub-command draws itself."""
    return stream.unfiltered if isinstance(stream, Plain) else stream


@contextlib.contextmanager
def plain_output() -> Iterator[None]:
    """Let only plain text pass to standard output and error, and end quietly where nobody reads it any more."""
    before = sys.stdout, sys.stderr
    sys.stdout, sys.stderr = plain_stream(before[0]), plain_stream(before[1])
    try:
        try:
            yield
        finally:
            sys.stdout.flush()
            sys.stderr.flush()
    except (ReaderGone, BrokenPipeError):
        _let_go(before)
        raise ReaderGone(GONE) from None
    finally:
        sys.stdout, sys.stderr = before


def _let_go(streams: tuple[TextIO, TextIO]) -> None:
    """Give the interpreter's last flush of a closed pipe somewhere to go."""
    for stream in streams:
        try:
            stream.flush()
        except (BrokenPipeError, ValueError):
            with contextlib.suppress(OSError, ValueError):
                nowhere = os.open(os.devnull, os.O_WRONLY)
                os.dup2(nowhere, stream.fileno())
                os.close(nowhere)
