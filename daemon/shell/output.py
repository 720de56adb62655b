"""What a sub-command prints to a terminal or a pipe: plain text, and a quiet end if the reader has gone.

Rule of this file: everything that sub-commands and logs write goes through `Plain`. If a sub-command draws a screen or
rings a bell itself, it bypasses `Plain` by `unfiltered` and makes each line plain first.
"""

import contextlib
import os
import select
import sys
from collections.abc import Iterator
from typing import Any, TextIO, cast

from drillfeed.protocol.plain import plain_lines

GONE = 1
LOOK_S = 0.2


class ReaderGone(SystemExit):
    """The reader has closed our output. This is no OSError, so that no handler takes it for a file or socket error."""


class Plain:
    """A text stream that passes only plain text and newlines; other attributes are those of the stream behind it."""

    def __init__(self, stream: TextIO) -> None:
        self.unfiltered: TextIO = stream

    def write(self, text: str) -> int:
        """Write text, with `?` for what the stream's encoding lacks; raise ReaderGone if the reader has gone."""
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
        """Flush what was written; raise ReaderGone if the reader has gone."""
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
    """Return a stream that passes only plain text; return a plain stream unchanged."""
    return stream if isinstance(stream, Plain) else cast(TextIO, Plain(stream))


def unfiltered(stream: TextIO) -> TextIO:
    """Return the stream behind a plain stream, for what a sub-command draws itself."""
    return stream.unfiltered if isinstance(stream, Plain) else stream


@contextlib.contextmanager
def plain_output() -> Iterator[None]:
    """Pass only plain text to standard output and error, and end quietly if the reader has gone."""
    before = sys.stdout, sys.stderr
    sys.stdout, sys.stderr = plain_stream(before[0]), plain_stream(before[1])
    try:
        try:
            yield
        finally:
            sys.stdout.flush()
            sys.stderr.flush()
    except (ReaderGone, BrokenPipeError):
        _point_at_nothing(before)
        raise ReaderGone(GONE) from None
    finally:
        sys.stdout, sys.stderr = before


def _point_at_nothing(streams: tuple[TextIO, TextIO]) -> None:
    """Point a closed pipe at the null device, so that the interpreter's last flush does not fail."""
    for stream in streams:
        try:
            stream.flush()
        except (BrokenPipeError, ValueError):
            with contextlib.suppress(OSError, ValueError):
                nowhere = os.open(os.devnull, os.O_WRONLY)
                os.dup2(nowhere, stream.fileno())
                os.close(nowhere)


def ask(prompt: str = "") -> str:
    """Read a typed line like `input`, but also notice a signal that comes just as the wait begins."""
    if not sys.stdin.isatty():
        return input(prompt)
    print(prompt, end="", flush=True)
    while not select.select([sys.stdin.fileno()], [], [], LOOK_S)[0]:
        pass
    return input()
