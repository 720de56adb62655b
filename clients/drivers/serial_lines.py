"""The lines between a driver and its microcontroller board: check, words, reports. SERIAL.md has the rules.

Rule of this file: pure functions; a line with a wrong check is ignored. The wire has integers in 0.1 rpm, 0.01 degree,
mV and ms; the code has rpm, degrees, V and s.
"""

from dataclasses import dataclass
from typing import Literal

VERSION = 1
LINE_BYTES_MAX = 120
WRAP_MS = 2**32
NOT_KNOWN = "-"
REPORT_WORDS = 15

BoardMode = Literal["asleep", "awake", "expired"]
_MODES: dict[str, BoardMode] = {"asleep": "asleep", "awake": "awake", "expired": "expired"}
_PARTS = {"t": ("top", "encoder silent while the wheel is driven"), "b": ("bottom", "encoder silent while driven")}


def crc16(data: bytes) -> int:
    """Return the CRC of SERIAL.md: polynomial 0x1021, start value 0xFFFF, not reflected (the one of ITU-T V.41)."""
    crc = 0xFFFF
    for byte in data:
        crc ^= byte << 8
        for _ in range(8):
            crc = (crc << 1 ^ 0x1021 if crc & 0x8000 else crc << 1) & 0xFFFF
    return crc


def line(*words: object) -> bytes:
    """Write words as one line with its check."""
    body = " ".join(str(word) for word in words).encode("ascii")
    return body + b" %04X\n" % crc16(body)


def words_of(raw: bytes) -> list[str] | None:
    """Return the words of a line without its newline, or None if its check is wrong."""
    body, _, said = raw.removesuffix(b"\r").rpartition(b" ")
    if len(said) != 4 or said != b"%04X" % crc16(body):
        return None
    try:
        return body.decode("ascii").split(" ")
    except UnicodeDecodeError:
        return None


class LineSplitter:
    """Splits bytes into lines; a line that never ends takes no memory and counts as one bad line."""

    def __init__(self) -> None:
        self._rest = b""
        self._too_long = False
        self.bad = 0

    def feed(self, data: bytes) -> list[list[str]]:
        """Take bytes as they come; return the words of each complete line with a correct check."""
        *whole, self._rest = (self._rest + data).split(b"\n")
        found = []
        for raw in whole:
            words = None if self._too_long or len(raw) > LINE_BYTES_MAX else words_of(raw)
            self._too_long = False
            if words is not None:
                found.append(words)
            elif raw:
                self.bad += 1
        if len(self._rest) > LINE_BYTES_MAX:
            self._rest, self._too_long = b"", True
        return found


@dataclass(frozen=True, slots=True)
class Introduction:
    """The line `board`: version, boot number, and what the board has."""

    version: int
    boot: int
    feedback: bool
    exit_sensor: bool
    name: str


@dataclass(frozen=True, slots=True)
class Report:
    """The line `now`: everything that a board knows at one instant, `at_ms` of its own clock."""

    at_ms: int
    boot: int
    mode: BoardMode
    top_rpm: float | None
    bottom_rpm: float | None
    tilt_deg: float | None
    supply_v: float | None
    pushes: int
    push_id: int
    exits: int | None
    exit_ms: int | None
    cut: int
    passed_over: int
    faults: tuple[tuple[str, str], ...]


def introduction(words: list[str]) -> Introduction | None:
    """Parse the words of a line `board`; None if they are not such a line."""
    if len(words) < 3 or words[0] != "board":
        return None
    try:
        version, boot = int(words[1]), int(words[2])
    except ValueError:
        return None
    if version != VERSION:
        return Introduction(version, boot, False, False, "")
    if len(words) != 6:
        return None
    return Introduction(version, boot, words[3] == "measured", words[4] == "exits", words[5])


def report(words: list[str]) -> Report | None:
    """Parse the words of a line `now`; None if they are not such a line."""
    if len(words) != REPORT_WORDS or words[0] != "now" or words[3] not in _MODES:
        return None
    try:
        return Report(
            at_ms=int(words[1]),
            boot=int(words[2]),
            mode=_MODES[words[3]],
            top_rpm=_scaled(words[4], 10),
            bottom_rpm=_scaled(words[5], 10),
            tilt_deg=_scaled(words[6], 100),
            supply_v=_scaled(words[7], 1000),
            pushes=int(words[8]),
            push_id=int(words[9]),
            exits=_known(words[10]),
            exit_ms=_known(words[11]),
            cut=int(words[12]),
            passed_over=int(words[13]),
            faults=tuple(_PARTS.get(part, ("board", f"fault {part}")) for part in words[14] if part != NOT_KNOWN),
        )
    except ValueError:
        return None


def _known(word: str) -> int | None:
    return None if word == NOT_KNOWN else int(word)


def _scaled(word: str, parts: int) -> float | None:
    return None if word == NOT_KNOWN else int(word) / parts


def ms_between(earlier: int, later: int) -> int:
    """Return the milliseconds between two moments of a board's clock, also across its wrap-around."""
    return (later - earlier + WRAP_MS // 2) % WRAP_MS - WRAP_MS // 2


class BoardClock:
    """An estimate of the board's clock that is never ahead of it, set by the quickest of the last reports.

    A report takes some time to arrive, so the board's clock is later than the report says. A line therefore expires
    early, never late.
    """

    KEPT = 64

    def __init__(self, report_ms: int, now: float) -> None:
        """Begin with the first report of a boot."""
        self._first_ms, self._first_s = report_ms, now
        self._behind_s: list[float] = []

    def see(self, report_ms: int, now: float) -> None:
        """Take the time of a report."""
        self._behind_s = [*self._behind_s[1 - self.KEPT :], (now - self._first_s) - self._since_first_s(report_ms)]

    def _since_first_s(self, ms: int) -> float:
        return ms_between(self._first_ms, ms) / 1000

    def board_ms(self, now: float) -> int:
        """Return the moment of the board's clock for `now` of the driver's."""
        return (self._first_ms + int((now - self._first_s - min(self._behind_s)) * 1000)) % WRAP_MS

    def driver_s(self, ms: int) -> float:
        """Return the driver's clock for a moment of the board's."""
        return self._first_s + self._since_first_s(ms) + min(self._behind_s)
