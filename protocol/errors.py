"""The closed list of refusal codes, and the one exception that carries a refusal.

Rule of this file: a refusal says what was wrong, what was expected, what was found and what to do.
A number, once given, never changes its meaning; numbers 10-29 are about the line, 30-49 about the
moment, 50-69 about the machine and its driver, 70-89 about drills, 90-99 about the daemon itself.
"""

from dataclasses import dataclass

from drillfeed.protocol.texts.catalogue import refusal_text, text


@dataclass(frozen=True)
class ErrorCode:
    """One row of the closed list."""

    number: int
    name: str

    @property
    def meaning(self) -> str:
        """Say what it means."""
        return text(f"code.{self.name}")


CODES: dict[str, ErrorCode] = {
    code.name: code
    for code in (
        ErrorCode(10, "bad-bytes"),
        ErrorCode(11, "line-too-long"),
        ErrorCode(12, "unknown-command"),
        ErrorCode(13, "bad-argument"),
        ErrorCode(14, "not-allowed"),
        ErrorCode(15, "too-many-clients"),
        ErrorCode(16, "too-fast"),
        ErrorCode(17, "not-paired"),
        ErrorCode(18, "wait"),
        ErrorCode(19, "other-protocol"),
        ErrorCode(30, "wrong-state"),
        ErrorCode(31, "stop-count"),
        ErrorCode(32, "no-drill"),
        ErrorCode(33, "superseded"),
        ErrorCode(34, "fault-latched"),
        ErrorCode(35, "cautions"),
        ErrorCode(36, "hopper"),
        ErrorCode(37, "crank-phase"),
        ErrorCode(38, "moving"),
        ErrorCode(39, "no-offer"),
        ErrorCode(40, "not-held"),
        ErrorCode(41, "beyond-setup"),
        ErrorCode(50, "no-driver"),
        ErrorCode(51, "driver-mismatch"),
        ErrorCode(52, "driver-refused"),
        ErrorCode(53, "clock"),
        ErrorCode(54, "feedback"),
        ErrorCode(55, "supply"),
        ErrorCode(56, "driver-contradicts"),
        ErrorCode(70, "unknown-name"),
        ErrorCode(71, "bad-file"),
        ErrorCode(72, "not-possible"),
        ErrorCode(73, "bounds"),
        ErrorCode(90, "busy"),
        ErrorCode(91, "not-recorded"),
        ErrorCode(99, "internal"),
    )
}


class Refused(Exception):
    """Say no to a command, with a code of the closed list.

    `name` must be a key of `CODES`. `what` says what was wrong; `expected`, `found` and `do` are
    added to the text where given.
    """

    def __init__(self, name: str, what: str, *, expected: str = "", found: str = "", do: str = "") -> None:
        self.code = CODES[name]
        self.what, self.expected, self.found, self.do = what, expected, found, do
        super().__init__(self.text)

    @property
    def text(self) -> str:
        """The refusal as one line: what was wrong; expected; found; next step."""
        parts = [self.what]
        if self.expected:
            parts.append(f"expected {self.expected}")
        if self.found:
            parts.append(f"found {self.found}")
        line = "; ".join(parts)
        return f"{line}. Next: {self.do}" if self.do else line


def refuse(name: str, /, **values: object) -> Refused:
    """Return the refusal called `name` in the catalogue, filled in and ready to be raised."""
    row = refusal_text(name, **values)
    return Refused(row.code, row.what, expected=row.expected, found=row.found, do=row.do)
