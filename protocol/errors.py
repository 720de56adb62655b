"""The closed list of refusal codes, and the one exception that carries a refusal.

Rule of this file: a refusal says what was wrong, what was expected, what was found and what to do.
A number, once given, never changes its meaning; numbers 10-29 are about the line, 30-49 about the
moment, 50-69 about the machine and its driver, 70-89 about drills, 90-99 about the daemon itself.
"""

from dataclasses import dataclass

from drillfeed.protocol.texts.catalogue import refusal_text


@dataclass(frozen=True)
class ErrorCode:
    """One row of the closed list."""

    number: int
    name: str
    meaning: str


CODES: dict[str, ErrorCode] = {
    code.name: code
    for code in (
        ErrorCode(10, "bad-bytes", "the line holds bytes that no command has"),
        ErrorCode(11, "line-too-long", "the line is longer than the protocol allows"),
        ErrorCode(12, "unknown-command", "no command has this verb"),
        ErrorCode(13, "bad-argument", "an argument is missing, too many, or of the wrong kind"),
        ErrorCode(14, "not-allowed", "the caller's role may not give this command"),
        ErrorCode(15, "too-many-clients", "the daemon holds as many connections as it allows"),
        ErrorCode(16, "too-fast", "more unanswered lines from one client than the daemon holds"),
        ErrorCode(17, "not-paired", "the code or key is not known, or is over"),
        ErrorCode(18, "wait", "too many wrong codes or keys from this address; try again later"),
        ErrorCode(19, "other-protocol", "what came is HTTP, TLS, SSH or a proxy's greeting; the connection is closed"),
        ErrorCode(30, "wrong-state", "the command is not possible in the present state"),
        ErrorCode(31, "stop-count", "start must quote the present stop count"),
        ErrorCode(32, "no-drill", "no drill is loaded"),
        ErrorCode(33, "superseded", "a stop, fault or later command came before this one was carried out"),
        ErrorCode(34, "fault-latched", "a fault is latched and must be cleared first"),
        ErrorCode(35, "cautions", "the cautions have not been acknowledged on this machine"),
        ErrorCode(36, "hopper", "the hopper holds too few balls, or its count is unknown"),
        ErrorCode(37, "crank-phase", "the crank's phase is unknown or has drifted too far"),
        ErrorCode(38, "moving", "the wheels have not come to rest, or are not yet known to have"),
        ErrorCode(39, "no-offer", "there is no such offer, or it has lapsed"),
        ErrorCode(40, "not-held", "set-up: no hand is on it, its token is not fresh, or this hold has had its ball"),
        ErrorCode(41, "beyond-setup", "more than set-up does: too fast, too far, or a ball before both wheels turn"),
        ErrorCode(50, "no-driver", "no motor driver is connected"),
        ErrorCode(51, "driver-mismatch", "the driver's axes, limits or version do not fit the machine profile"),
        ErrorCode(52, "driver-refused", "the driver refused, with its own reason"),
        ErrorCode(53, "clock", "the driver's clock is not known well enough"),
        ErrorCode(54, "feedback", "a speed that should be measured cannot be read"),
        ErrorCode(55, "supply", "the supply voltage is outside the machine's limits"),
        ErrorCode(56, "driver-contradicts", "what the driver says does not go with its own figures"),
        ErrorCode(70, "unknown-name", "nothing by this name"),
        ErrorCode(71, "bad-file", "a file cannot be read or holds mistakes"),
        ErrorCode(72, "not-possible", "this machine cannot do what the drill asks"),
        ErrorCode(73, "bounds", "the drill passes a bound in balls, time or rate"),
        ErrorCode(90, "busy", "the daemon is still at an earlier command of this kind"),
        ErrorCode(91, "not-recorded", "it cannot be written down just now"),
        ErrorCode(99, "internal", "a mistake in drillfeed itself; nothing was changed"),
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
