"""What the line server needs of the daemon behind it."""

from collections.abc import Callable
from typing import Protocol

from drillfeed.protocol.commands import Caller, Command
from drillfeed.protocol.lines import Reply
from drillfeed.protocol.status import Notice, Snapshot

ReplyTo = Callable[[Reply], None]


class DeskPort(Protocol):
    """Takes commands and tells what is known. Replies are called once, from any thread."""

    def stop(self, caller: Caller, reply: ReplyTo) -> None:
        """Stop now: set a flag and wake the control loop; never wait, never queue."""

    def submit(self, command: Command, caller: Caller, reply: ReplyTo) -> None:
        """Take a command whose role was checked; the state is checked where it is carried out."""

    def note(self, command: Command, caller: Caller, reply: Reply) -> None:
        """Write down a command that did not come to `stop` or `submit`, and what it was answered."""

    def snapshot(self) -> Snapshot:
        """Tell the last known state of everything."""

    def notices_since(self, serial: int) -> tuple[list[Notice], int]:
        """Return the notices after `serial` that are still kept, and how many are not."""
