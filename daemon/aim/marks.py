"""A builder's measurements, read from a CSV: landing marks, phone timings, spin counts, tachometer, in any mixture.

One row is one wheel setting and what was measured with it. A blank cell means not measured, never zero. A row's figures
are the mean over `balls` balls.
"""

import csv
import math
from collections.abc import Iterable
from dataclasses import dataclass, field, replace

from drillfeed.daemon.validation import MAX_MISTAKES, FileError, InvalidFile
from drillfeed.protocol.texts.catalogue import text

NEEDED = ("top_rpm", "bottom_rpm", "tilt_deg")
MEASURED = ("depth_cm", "gate_m", "gate_s", "fps", "spin_revps", "tach_top_rpm", "tach_bottom_rpm")
COLUMNS = (*NEEDED, *MEASURED, "balls", "note")
SPANS: dict[str, tuple[float, float]] = {
    "top_rpm": (-60_000, 60_000),
    "bottom_rpm": (-60_000, 60_000),
    "tilt_deg": (-75, 85),
    "depth_cm": (-137, 400),
    "gate_m": (0.2, 4.0),
    "gate_s": (0.01, 2.0),
    "fps": (20, 2000),
    "spin_revps": (-150, 150),
    "tach_top_rpm": (-60_000, 60_000),
    "tach_bottom_rpm": (-60_000, 60_000),
    "balls": (1, 1000),
}


MAX_LINE = 2000


@dataclass(frozen=True)
class Mark:
    """Hold one row: a setting (rpm, degrees) and what was measured with it, None if it was not measured.

    `depth_m` is where balls landed past the net (negative before it). `gate_s` is the time from the opening to a mark
    `gate_m` along the table, filmed at `fps`. Spin is in rev/s, the tachometer's wheel speeds in rpm. `line` is the
    line in the file, or 0.
    """

    top_rpm: float
    bottom_rpm: float
    tilt_deg: float
    depth_m: float | None = None
    gate_m: float | None = None
    gate_s: float | None = None
    fps: float | None = None
    spin_revps: float | None = None
    tach_top_rpm: float | None = None
    tach_bottom_rpm: float | None = None
    balls: int = 1
    line: int = field(default=0, compare=False)


def exchanged(mark: Mark) -> Mark:
    """Return the row with top and bottom exchanged."""
    return replace(
        mark,
        top_rpm=mark.bottom_rpm,
        bottom_rpm=mark.top_rpm,
        tach_top_rpm=mark.tach_bottom_rpm,
        tach_bottom_rpm=mark.tach_top_rpm,
    )


def read_marks(lines: Iterable[str], file: str) -> list[Mark]:
    """Return the rows of a CSV; raise InvalidFile with every mistake: line, column, found, allowed.

    The first row names the columns. Empty lines and lines that begin with # are skipped.
    """
    numbered = [(n, line) for n, line in enumerate(lines, 1) if line.strip() and not line.lstrip().startswith("#")]
    if not numbered:
        raise InvalidFile(
            [FileError(file, "(file)", text("marks.no-rows"), text("marks.columns", columns=", ".join(COLUMNS)))]
        )
    long = [
        FileError(
            file,
            text("marks.line", n=n),
            text("marks.characters", length=len(line)),
            text("marks.max-characters", characters=MAX_LINE),
        )
        for n, line in numbered
        if len(line) > MAX_LINE
    ]
    if long:
        raise InvalidFile(long[:MAX_MISTAKES])
    header = [cell.strip() for cell in next(csv.reader([numbered[0][1]]))]
    mistakes = [
        FileError(file, text("marks.column", name=name), text("marks.no-such-column"), ", ".join(COLUMNS))
        for name in header
        if name not in COLUMNS
    ]
    mistakes += [
        FileError(file, text("marks.column", name=name), "nothing", text("marks.must-be-there"))
        for name in NEEDED
        if name not in header
    ]
    if mistakes:
        raise InvalidFile(mistakes)
    marks = []
    for n, line in numbered[1:]:
        cells = [cell.strip() for cell in next(csv.reader([line]))]
        if len(cells) > len(header):
            mistakes.append(
                FileError(
                    file,
                    text("marks.line", n=n),
                    text("marks.cells", cells=len(cells)),
                    text("marks.max-cells", cells=len(header)),
                )
            )
            continue
        row, row_mistakes = _numbers(dict(zip(header, cells, strict=False)), file, n)
        row_mistakes = row_mistakes or _amiss(row, file, n)
        mistakes += row_mistakes
        if not row_mistakes:
            marks.append(_mark(row, n))
    if mistakes:
        raise InvalidFile(mistakes[:MAX_MISTAKES])
    return marks


def _numbers(cells: dict[str, str], file: str, n: int) -> tuple[dict[str, float], list[FileError]]:
    row: dict[str, float] = {}
    mistakes = []
    for name, line in cells.items():
        if name == "note" or line == "":
            continue
        low, high = SPANS[name]
        try:
            number = float(line)
        except ValueError:
            number = math.nan
        if not low <= number <= high:
            mistakes.append(
                FileError(
                    file,
                    text("marks.line-column", n=n, name=name),
                    repr(line),
                    text("marks.number-or-blank", low=low, high=high),
                )
            )
        row[name] = number
    return row, mistakes


def _amiss(row: dict[str, float], file: str, n: int) -> list[FileError]:
    """Return the mistakes in one row: figures that are missing or do not fit together."""
    mistakes = [
        FileError(file, text("marks.line-column", n=n, name=name), "blank", text("marks.number"))
        for name in NEEDED
        if name not in row
    ]
    if not any(name in row for name in ("depth_cm", "gate_s", "spin_revps", "tach_top_rpm", "tach_bottom_rpm")):
        mistakes.append(
            FileError(file, text("marks.line", n=n), text("marks.nothing-measured"), text("marks.measure-one"))
        )
    if ("gate_m" in row) != ("gate_s" in row):
        mistakes.append(FileError(file, text("marks.line", n=n), text("marks.half-a-timing"), text("marks.gates")))
    if "spin_revps" in row and "fps" in row and abs(row["spin_revps"]) > row["fps"] / 2:
        limit = text("marks.pen-line", max_revps=row["fps"] / 2, fps=row["fps"])
        mistakes.append(FileError(file, text("marks.line-spin", n=n), f"{row['spin_revps']:g}", limit))
    return mistakes


def _mark(row: dict[str, float], line: int) -> Mark:
    depth = row.get("depth_cm")
    return Mark(
        row["top_rpm"],
        row["bottom_rpm"],
        row["tilt_deg"],
        depth_m=None if depth is None else depth / 100.0,
        gate_m=row.get("gate_m"),
        gate_s=row.get("gate_s"),
        fps=row.get("fps"),
        spin_revps=row.get("spin_revps"),
        tach_top_rpm=row.get("tach_top_rpm"),
        tach_bottom_rpm=row.get("tach_bottom_rpm"),
        balls=int(row.get("balls", 1)),
        line=line,
    )
