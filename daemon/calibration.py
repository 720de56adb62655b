"""A machine's calibration and its trims, in files beside the profile.

`drillfeed calibrate` writes `NAME.calibration.toml`. `NAME.trim.toml` says for each ball how far the aim is moved. They
are separate files, since a calibration is measured, and a trim is what a player asks for on the day.
"""

import datetime
from collections.abc import Mapping
from pathlib import Path
from typing import Annotated, Any

from pydantic import AfterValidator, Field

from drillfeed.daemon.validation import FileError, InvalidFile, Table, Words, validate
from drillfeed.protocol.texts.catalogue import text

STALE_AFTER_BALLS = 5000  # tyres wear: a default of ours
SPANS: Mapping[str, tuple[float, float]] = {
    "top_slope": (0.2, 5.0),
    "bottom_slope": (0.2, 5.0),
    "top_offset_mps": (-20.0, 20.0),
    "bottom_offset_mps": (-20.0, 20.0),
    "tilt_zero_deg": (-90.0, 90.0),
    "drag": (0.0, 5.0),
}
"""The widest possible values of any machine; figures beyond them are unusable. Good machines lie well inside."""


class Fitted(Table):
    """Values that were fitted, or their standard deviations."""

    top_slope: float
    top_offset_mps: float
    bottom_slope: float
    bottom_offset_mps: float
    tilt_zero_deg: float
    drag: float


def _as_day(text: str) -> str:
    """Return the text of a day; raise ValueError if there is no such date."""
    datetime.date.fromisoformat(text)
    return text


class Calibration(Table):
    """One calibration file: date, balls, air, the fitted values and their deviations."""

    machine: str
    made_on: Annotated[str, Field(pattern=r"^20\d{2}-\d{2}-\d{2}$"), AfterValidator(_as_day)]
    balls: Annotated[int, Field(ge=1)]
    ball_batch: Annotated[Words, Field(max_length=80)] = ""
    temp_c: Annotated[float, Field(ge=-40, le=60)] = 20.0
    altitude_m: Annotated[float, Field(ge=-500, le=6000)] = 0.0
    stale_after_balls: Annotated[int, Field(ge=1)] = STALE_AFTER_BALLS
    scatter_cm: Annotated[float | None, Field(ge=0)] = None
    left_open: tuple[str, ...] = ()
    values: Fitted
    deviations: Fitted
    balls_since: Annotated[int | None, Field(ge=0, description="told by the journal, never by the file")] = None

    def is_stale(self, balls_since: int) -> bool:
        """Tell whether more balls were thrown since then than the calibration is good for."""
        return balls_since > self.stale_after_balls

    def told(self) -> str:
        """Return the text for status: when the calibration was made, and whether it is stale."""
        line = text("calibration.made", made_on=self.made_on, balls=self.balls)
        if self.balls_since is None:
            return line
        if self.is_stale(self.balls_since):
            return text(
                "calibration.stale", made=line, balls_since=self.balls_since, stale_after_balls=self.stale_after_balls
            )
        return text("calibration.balls-since", made=line, balls_since=self.balls_since)

    def as_toml(self) -> str:
        """Return the file's text."""
        lines = [text("calibration.file")]
        for key in ("machine", "made_on", "ball_batch"):
            lines.append(f"{key} = {_quoted(getattr(self, key))}")
        for key in ("balls", "temp_c", "altitude_m", "stale_after_balls", "scatter_cm"):
            number = getattr(self, key)
            if number is not None:
                lines.append(f"{key} = {number}")
        lines.append(f"left_open = [{', '.join(_quoted(name) for name in self.left_open)}]")
        for table in ("values", "deviations"):
            fitted: Fitted = getattr(self, table)
            lines += ["", f"[{table}]", *(f"{name} = {number!r}" for name, number in fitted.model_dump().items())]
        return "\n".join(lines) + "\n"


class Trim(Table):
    """How far one ball type's aim is moved, in cm; longer and to the thrower's left are positive."""

    ball: str
    long_cm: Annotated[float, Field(ge=-40, le=40)] = 0.0
    left_cm: Annotated[float, Field(ge=-40, le=40)] = 0.0


class Trims(Table):
    """A file of trims."""

    trim: tuple[Trim, ...] = ()

    def of(self, ball: str) -> Trim:
        """Return the trim of a ball type, zero if it has none."""
        return next((trim for trim in self.trim if trim.ball == ball), Trim(ball=ball))

    def with_trim(self, new: Trim) -> "Trims":
        """Return the trims with that of one ball type replaced."""
        return Trims(trim=(*(trim for trim in self.trim if trim.ball != new.ball), new))

    def as_toml(self) -> str:
        """Return the file's text."""
        lines = [text("calibration.trims")]
        for trim in self.trim:
            lines += [
                "",
                "[[trim]]",
                f"ball = {_quoted(trim.ball)}",
                f"long_cm = {trim.long_cm}",
                f"left_cm = {trim.left_cm}",
            ]
        return "\n".join(lines) + "\n"


def _quoted(text: str) -> str:
    escaped = "".join(c if c.isprintable() and c not in '"\\' else f"\\u{ord(c):04x}" for c in text)
    return f'"{escaped}"'


def beside(profile: Path, kind: str) -> Path:
    """Return the path of a profile's calibration or trim file: its name with the kind before the ending."""
    return profile.with_name(f"{profile.stem}.{kind}.toml")


def read_calibration(data: Mapping[str, Any], file: str, machine: str) -> Calibration:
    """Return the calibration in a file; raise InvalidFile if it belongs to another machine or makes no sense."""
    found = validate(Calibration, data, file)
    if found.machine != machine:
        raise InvalidFile(
            [FileError(file, "machine", repr(found.machine), text("calibration.other-machine", machine=machine))]
        )
    if min(found.values.top_slope, found.values.bottom_slope) < 0.2:
        raise InvalidFile([FileError(file, "values", text("calibration.slope"), text("calibration.slopes"))])
    far = [
        FileError(file, f"values.{name}", f"{value:g}", text("calibration.outside", low=low, high=high))
        for name, (low, high) in SPANS.items()
        if not low <= (value := getattr(found.values, name)) <= high
    ]
    if far:
        raise InvalidFile(far)
    return found
