"""The prompt's terminal: completion, history and a status line, by prompt_toolkit (the extra `prompt`).

Rule of this file: it is imported only where the extra is installed. Its two classes inherit because the library asks
for it; what they offer comes from `completion.py`, and a secret never reaches the file of earlier lines.
"""

from collections.abc import Callable, Iterable
from pathlib import Path

from prompt_toolkit import PromptSession
from prompt_toolkit.completion import CompleteEvent, Completer
from prompt_toolkit.completion import Completion as Offer
from prompt_toolkit.document import Document
from prompt_toolkit.history import FileHistory

from drillfeed.clients.completion import Known, completions
from drillfeed.protocol.commands import COMMANDS

REFRESH_S = 0.5


class TableCompleter(Completer):
    """Offers what the command table allows next."""

    def __init__(self, known: Callable[[], Known]) -> None:
        self._known = known

    def get_completions(self, document: Document, complete_event: CompleteEvent) -> Iterable[Offer]:
        """Return the offers for the line up to the cursor."""
        for one in completions(document.text_before_cursor, self._known()):
            yield Offer(one.text, -one.instead_of, display_meta=one.note)


class DiscreetHistory(FileHistory):
    """Earlier lines in a file, but for those that hold a secret."""

    def store_string(self, string: str) -> None:
        """Write a line down, unless its verb takes a secret."""
        row = COMMANDS.get(string.strip().split(" ", 1)[0].lower())
        if row is None or not any(argument.secret for argument in row.arguments):
            super().store_string(string)


def open_session(history: Path, known: Callable[[], Known], state: Callable[[], str]) -> "PromptSession[str]":
    """Return a session that completes from `known` and shows `state` below the line; raise OSError."""
    history.parent.mkdir(parents=True, exist_ok=True, mode=0o700)
    history.touch(mode=0o600)
    return PromptSession(
        "> ",
        history=DiscreetHistory(str(history)),
        completer=TableCompleter(known),
        complete_while_typing=False,
        bottom_toolbar=state,
        refresh_interval=REFRESH_S,
    )
