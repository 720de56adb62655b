"""Where the edges of a contact come from: an input device, a serial control line, a terminal's keys, lines of text.

Rule of this file: `read` never waits and never raises. A source that is gone says so once; if it may come back, `read`
looks for it once a second. The position found when a source appears is kept apart from what a foot did.
"""

import contextlib
import os
import select
from collections.abc import Callable, Iterable
from typing import Any, Protocol

from drillfeed.clients.pedal.foot import Edge, Kind

AGAIN_S = 1.0
POLL_S = 0.005
EV_KEY = 1  # linux/input-event-codes.h
RELEASED, PRESSED, REPEATED = 0, 1, 2  # the value of a key event: linux/Documentation/input/event-codes.rst
FIRST_REPEAT_S = 0.7  # terminals begin to repeat a held key after 0.2 to 0.66 s
NEXT_REPEAT_S = 0.2
READ_BYTES = 4_096
CONTACT_WORDS: dict[str, Kind] = {"down": "down", "up": "up", "gone": "unplugged"}


class Source(Protocol):
    """One contact."""

    def filenos(self) -> list[int]:
        """Return the files that become readable when there is news; none if `read` has to be called often instead."""

    def read(self, now_s: float) -> list[Edge]:
        """Return the edges since the last call, in order."""

    def close(self) -> None:
        """Give the device back."""


class InputEvent(Protocol):
    """One event of a Linux input device, with the names that the kernel and evdev use."""

    type: int
    code: int
    value: int

    def timestamp(self) -> float:
        """Return the kernel's time stamp, in seconds of the kernel's own clock."""


class InputHandle(Protocol):
    """The parts of `evdev.InputDevice` that are used here."""

    fd: int

    def read(self) -> Iterable[InputEvent]:
        """Return the waiting events; raises BlockingIOError if there are none, OSError if the device is gone."""

    def active_keys(self) -> list[int]:
        """Return the keys that are down."""

    def grab(self) -> None:
        """Take the device for this program alone; raises OSError if another program has it."""

    def close(self) -> None:
        """Close it."""


class InputDevice:
    """A USB pedal or any other Linux input device; `open_handle` opens it, or raises OSError if there is none."""

    def __init__(self, open_handle: Callable[[], InputHandle], code: int | None) -> None:
        self._open_handle, self._code = open_handle, code
        self._handle: InputHandle | None = None
        self._tried_s = float("-inf")

    def filenos(self) -> list[int]:
        """Return the device's file number while the device is there."""
        return [] if self._handle is None else [self._handle.fd]

    def read(self, now_s: float) -> list[Edge]:
        """Return key edges; an auto-repeat is no edge."""
        if self._handle is None:
            return self._look_for_it(now_s)
        try:
            events = list(self._handle.read())
        except BlockingIOError:
            return []
        except OSError:
            self.close()
            return [Edge(now_s, "unplugged")]
        return edges_of(events, self._code, now_s)

    def close(self) -> None:
        """Give the device back."""
        if self._handle is not None:
            with contextlib.suppress(OSError):
                self._handle.close()
            self._handle = None

    def _look_for_it(self, now_s: float) -> list[Edge]:
        if now_s - self._tried_s < AGAIN_S:
            return []
        self._tried_s = now_s
        try:
            self._handle = self._open_handle()
            keys = self._handle.active_keys()
        except OSError:
            self.close()
            return []
        down = bool(keys) if self._code is None else self._code in keys
        return [Edge(now_s, "found down" if down else "found up")]


def edges_of(events: list[InputEvent], code: int | None, now_s: float) -> list[Edge]:
    """Turn the events of one reading into edges; the last event counts as happening now.

    The kernel stamps events by its own clock, so only the differences inside one reading are used.
    """
    keys = [
        event for event in events if event.type == EV_KEY and code in (None, event.code) and event.value != REPEATED
    ]
    kinds: dict[int, Kind] = {PRESSED: "down", RELEASED: "up"}
    last_s = events[-1].timestamp() if events else 0.0
    ages = [min(max(last_s - key.timestamp(), 0.0), AGAIN_S) for key in keys]
    return [Edge(now_s - age, kinds[key.value]) for key, age in zip(keys, ages, strict=True) if key.value in kinds]


class SerialContact:
    """A bare contact between RTS or DTR of a serial port (both held on) and one of its control lines."""

    def __init__(self, open_port: Callable[[], Any], line: str) -> None:
        self._open_port, self._line = open_port, line
        self._port: Any = None
        self._down = False
        self._tried_s = float("-inf")

    def filenos(self) -> list[int]:
        """Return no number: a control line makes nothing readable."""
        return []

    def read(self, now_s: float) -> list[Edge]:
        """Return an edge if the contact has changed since the last look."""
        fresh = self._port is None
        if fresh and now_s - self._tried_s < AGAIN_S:
            return []
        try:
            if fresh:
                self._tried_s = now_s
                self._port = self._open_port()
            down = bool(getattr(self._port, self._line))
        except OSError:  # serial.SerialException is one
            self.close()
            return [] if fresh else [Edge(now_s, "unplugged")]
        changed, self._down = fresh or down != self._down, down
        if fresh:
            return [Edge(now_s, "found down" if down else "found up")]
        return [Edge(now_s, "down" if down else "up")] if changed else []

    def close(self) -> None:
        """Give the port back."""
        if self._port is not None:
            with contextlib.suppress(OSError):
                self._port.close()
            self._port = None


class TerminalKey:
    """Any key in a terminal. A terminal reports no release, so a key counts as let go when it stops repeating."""

    def __init__(self, fileno: int) -> None:
        self._fileno = fileno
        self._found = self._ended = False
        self._until_s: float | None = None

    def filenos(self) -> list[int]:
        """Return the terminal's number."""
        return [] if self._ended else [self._fileno]

    def read(self, now_s: float) -> list[Edge]:
        """Return a press for the first key, and a release when no more keys came for a while."""
        edges = [] if self._found else [Edge(now_s, "found up")]
        self._found = True
        if self._until_s is not None and now_s >= self._until_s:
            edges.append(Edge(self._until_s, "up"))
            self._until_s = None
        if not self._ended and waiting(self._fileno):
            try:
                typed = os.read(self._fileno, READ_BYTES)
            except OSError:  # the other end of the terminal is closed
                typed = b""
            if not typed:
                self._ended = True
                return [*edges, Edge(now_s, "unplugged")]
            if self._until_s is None:
                edges.append(Edge(now_s, "down"))
                self._until_s = now_s + FIRST_REPEAT_S
            else:
                self._until_s = now_s + NEXT_REPEAT_S
        return edges

    def close(self) -> None:
        """Leave the terminal as it is."""


class ContactLines:
    """Lines `down` and `up` on the standard output of a program of your own, which may read any kind of contact."""

    def __init__(self, fileno: int) -> None:
        self._fileno = fileno
        self._kept = b""
        self._found = self._ended = False

    def filenos(self) -> list[int]:
        """Return the number of the pipe."""
        return [] if self._ended else [self._fileno]

    def read(self, now_s: float) -> list[Edge]:
        """Return an edge for each line; the first line is the position found, the end of the pipe means unplugged."""
        if self._ended or not waiting(self._fileno):
            return []
        data = os.read(self._fileno, READ_BYTES)
        self._ended = not data
        if self._ended:
            return [Edge(now_s, "unplugged")]
        *lines, self._kept = (self._kept + data)[-READ_BYTES:].split(b"\n")
        edges = []
        for line in lines:
            kind = CONTACT_WORDS.get(line.strip().decode("utf-8", "replace").lower())
            if kind in ("down", "up") and not self._found:
                self._found = True
                kind = "found down" if kind == "down" else "found up"
            elif kind == "unplugged":
                self._found = False
            if kind is not None:
                edges.append(Edge(now_s, kind))
        return edges

    def close(self) -> None:
        """Leave the pipe as it is."""


def waiting(fileno: int) -> bool:
    """Tell whether there is something to read without waiting."""
    return bool(select.select([fileno], [], [], 0.0)[0])
