"""The prompt's terminal: completion, history and a status line, by prompt_toolkit (the extra `prompt`).

Rule of this file: it is imported only if the extra is installed. Its two classes inherit because the library requires
it. The completions come from `completion.py`, and a secret is never written to the history file.
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
    """Completes with what the command table allows next."""

    def __init__(self, known: Callable[[], Known]) -> None:
        self._known = known

    def get_completions(self, document: Document, complete_event: CompleteEvent) -> Iterable[Offer]:
        """Yield the completions for the line up to the cursor."""
        for word in completions(document.text_before_cursor, self._known()):
            yield Offer(word.text, -word.instead_of, display_meta=word.note)


class DiscreetHistory(FileHistory):
    """A history file without the lines that hold a secret."""

    def store_string(self, string: str) -> None:
        """Store a line, unless its verb takes a secret."""
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
