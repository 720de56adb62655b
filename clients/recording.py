"""Recordings of the observer stream: writing them, one JSON object a line, and reading them back.

Rule of this file: no clock and no socket. A line that cannot be read is skipped and counted. If a recorder was killed,
its file is read up to the last whole line.
"""

import json
import math
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field
from typing import Any

from drillfeed.protocol.link import FRAME_BYTES_MAX

VERSION = 1
GAP_S = 1.0
TOPICS = ("setpoint", "status")
WHEELS = ("top", "bottom")


class Recorder:
    """Turns messages of the stream into lines; keeps only counts."""

    def __init__(self, observed: str, began: str, now: float) -> None:
        """Begin at `now`, in seconds of a monotonic clock; `began` is the wall clock's time as text."""
        self._begun_s = self._last_s = now
        self.counts = dict.fromkeys((*TOPICS, "passed over", "gaps"), 0)
        self.head = _line({"recording": VERSION, "observed": observed, "began": began})

    def take(self, parts: list[bytes], now: float) -> Iterator[str]:
        """Yield the lines for one message of the stream; first a gap, if nothing had come for over a second."""
        topic = parts[0].decode("ascii", "replace") if parts else ""
        message = _object(parts[1]) if len(parts) == 2 and len(parts[1]) <= FRAME_BYTES_MAX else None
        if topic not in TOPICS or message is None:
            self.counts["passed over"] += 1
            return
        if now - self._last_s > GAP_S and self.counts["setpoint"] + self.counts["status"]:
            self.counts["gaps"] += 1
            yield _line({"t": self._since(now), "topic": "gap", "silent_s": round(now - self._last_s, 3)})
        self._last_s = now
        self.counts[topic] += 1
        yield _line({"t": self._since(now), "topic": topic, "message": message})

    def _since(self, now: float) -> float:
        return round(now - self._begun_s, 4)


def _line(what: dict[str, Any]) -> str:
    return json.dumps(what, separators=(",", ":")) + "\n"


def _object(frame: bytes | str) -> dict[str, Any] | None:
    try:
        found = json.loads(frame)
    except (ValueError, RecursionError):
        return None
    return found if isinstance(found, dict) else None


@dataclass(frozen=True, slots=True)
class RecordedSetpoint:
    """A setpoint: where the axes should be at `at_s` of the recording. Speeds in rpm, angles in degrees."""

    at_s: float
    top_rpm: float
    bottom_rpm: float
    tilt_deg: float | None


@dataclass(frozen=True, slots=True)
class RecordedStatus:
    """A status: the driver's ramped outputs (`limited`) and what it measured at `at_s` of the recording."""

    at_s: float
    limited: dict[str, float]
    measured: dict[str, float | None]


@dataclass
class Recording:
    """The contents of a recording. Times are seconds since it began; `fed_s` are the times at which balls were fed."""

    began: str = ""
    asked: list[RecordedSetpoint] = field(default_factory=list)
    told: list[RecordedStatus] = field(default_factory=list)
    fed_s: list[float] = field(default_factory=list)
    gaps: int = 0
    passed_over: int = 0

    @property
    def length_s(self) -> float:
        """Return the time of the last setpoint or status in it."""
        return max([0.0, *(series[-1].at_s for series in (self.asked, self.told) if series)])


class NoRecording(Exception):
    """The file is no recording of this version; the text says what it is."""


def read_recording(lines: Iterable[str]) -> Recording:
    """Read the lines of a recording; raise NoRecording if the first line is not a recording's head."""
    rows = iter(lines)
    head = _object(next(rows, "")) or {}
    if head.get("recording") != VERSION:
        raise NoRecording(
            f"no recording of version {VERSION}: it begins with {head.get('recording', 'something else')!r}"
        )
    reader = _Reader(Recording(began=str(head.get("began", ""))))
    for row in rows:
        reader.take(row)
    reader.recording.fed_s.sort()
    return reader.recording


class _Reader:
    """Puts setpoints and statuses on one time scale, since each boot of the driver has a clock of its own."""

    def __init__(self, recording: Recording) -> None:
        self.recording = recording
        self._offset_s: float | None = None
        self._boot: object = None
        self._fed: set[tuple[object, object]] = set()

    def take(self, row: str) -> None:
        entry = _object(row)
        try:
            if entry is None:
                raise ValueError("not JSON")
            if entry["topic"] == "gap":
                self.recording.gaps += 1
            elif entry["topic"] == "status":
                self._status(_number(entry["t"]), entry["message"])
            else:
                self._setpoint(entry["message"])
        except (KeyError, TypeError, ValueError):
            self.recording.passed_over += 1

    def _status(self, t: float, message: dict[str, Any]) -> None:
        now_s = _number(message["now_s"])
        if message["boot"] != self._boot:
            self._boot, self._offset_s = message["boot"], t - now_s
        at_s = now_s + (self._offset_s or 0.0)
        axes = [*WHEELS, *(["tilt"] if message.get("tilt") else [])]
        unit = {"top": "rpm", "bottom": "rpm", "tilt": "deg"}
        limited = {axis: _number(message[axis][f"target_{unit[axis]}"]) for axis in axes}
        measured = {axis: _known(message[axis].get(f"measured_{unit[axis]}")) for axis in axes}
        self.recording.told.append(RecordedStatus(at_s, limited, measured))
        for feed in message.get("feeds") or ():
            key = (message.get("session"), feed["id"])
            if feed["result"] == "done" and key not in self._fed:
                self._fed.add(key)
                self.recording.fed_s.append(_number(feed["at_s"]) + (self._offset_s or 0.0))

    def _setpoint(self, message: dict[str, Any]) -> None:
        if self._offset_s is None:
            return  # the driver's clock is unknown before the first status
        tilt = message.get("tilt")
        setpoint = RecordedSetpoint(
            _number(message["at_s"]) + self._offset_s,
            _number(message["top"]["rpm"]),
            _number(message["bottom"]["rpm"]),
            None if tilt is None else _number(tilt["deg"]),
        )
        asked = self.recording.asked
        while asked and asked[-1].at_s >= setpoint.at_s:  # a newer setpoint replaces those at its moment or later
            asked.pop()
        asked.append(setpoint)


def _number(value: Any) -> float:
    if isinstance(value, bool) or not isinstance(value, int | float) or not math.isfinite(value):
        raise ValueError(f"{value!r} is no number")
    return float(value)


def _known(value: Any) -> float | None:
    return None if value is None else _number(value)
