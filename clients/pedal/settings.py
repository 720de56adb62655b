"""The settings of foot switches, from a TOML file: which contact is used, and what its presses mean.

[[pedal]]
source = "input"                            # a USB pedal, or a GPIO contact that the kernel's gpio-keys offers
device = "/dev/input/by-id/usb-pedal-event-kbd"
key = "KEY_B"                               # left out: any key of that device
double = "easier"
"""

from typing import Literal, Self

from pydantic import BaseModel, ConfigDict, Field, ValidationError, model_validator

from drillfeed.clients.pedal.foot import GO, NOTHING, Meaning, wrong_with

Source = Literal["input", "serial", "terminal", "lines"]
LINES_SHOWN = ("cts", "dsr", "cd", "ri")


class Pedal(BaseModel):
    """One foot switch."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    source: Source
    device: str | None = Field(None, description="the input device or serial port; terminal and lines have none")
    key: str | None = Field(None, description="a KEY_ name of Linux, or the control line of a serial port")
    press: str = GO
    double: str = NOTHING
    hold: Literal["stop", "pause"] = "stop"
    pauses: bool = Field(True, description="does key-down pause what is under way, at once")
    unplugged: Literal["pause", "tell"] = "pause"

    @property
    def meaning(self) -> Meaning:
        """Return what the presses of this switch mean."""
        return Meaning(self.press, self.double, self.hold, self.pauses, self.unplugged)

    @model_validator(mode="after")
    def _whole(self) -> Self:
        if problem := wrong_with(self.meaning):
            raise ValueError(problem)
        if self.source in ("input", "serial") and not self.device:
            raise ValueError(f"source {self.source} needs a device; drillfeed pedal --list shows those there are")
        if self.source == "serial" and self.key is not None and self.key not in LINES_SHOWN:
            raise ValueError(f"key of a serial contact is one of {', '.join(LINES_SHOWN)}; found {self.key}")
        return self


class _File(BaseModel):
    model_config = ConfigDict(frozen=True, extra="forbid")

    pedal: tuple[Pedal, ...] = Field(min_length=1)


class BadSettings(ValueError):
    """A settings file that cannot be used; the text has one line for each mistake."""


def settings_of(data: dict[str, object], file: str) -> tuple[Pedal, ...]:
    """Return the foot switches that a TOML file describes; raises BadSettings."""
    return checked(data, file).pedal


def pedal_of(**given: object) -> Pedal:
    """Return one foot switch from the command line; raises BadSettings."""
    return checked({"pedal": [{k: v for k, v in given.items() if v is not None}]}, "command line").pedal[0]


def checked(data: dict[str, object], where: str) -> _File:
    """Return the settings in `data`; raises BadSettings, which names the place of each mistake."""
    try:
        return _File.model_validate(data)
    except ValidationError as error:
        lines = [f"{where}: {_place(mistake['loc'])}: {mistake['msg']}" for mistake in error.errors()]
        raise BadSettings("\n".join(lines)) from error


def _place(loc: tuple[int | str, ...]) -> str:
    return "".join(f" {part + 1}" if isinstance(part, int) else f".{part}" for part in loc).lstrip(".")
