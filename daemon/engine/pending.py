"""The command whose answer waits for the driver: `arm` or `clear`."""

from dataclasses import dataclass

ANSWER_S = 2.0


@dataclass(frozen=True)
class PendingCommand:
    """A command that was passed on to the driver; `token` is where its answer goes."""

    token: int
    verb: str
    until_s: float


class Pending:
    """Owns the one command that waits for the driver."""

    def __init__(self) -> None:
        self.command: PendingCommand | None = None

    def wait(self, token: int, verb: str, now_s: float) -> None:
        """Wait for the driver to carry out a command."""
        self.command = PendingCommand(token, verb, now_s + ANSWER_S)

    def take(self) -> PendingCommand | None:
        """Wait no longer; return the command that was waited for."""
        command, self.command = self.command, None
        return command
