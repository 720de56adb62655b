"""Why a command is refused: a code of the closed list, what is wrong, what was expected and found, what to do.

Rule of this file: ids are `TOPIC.WHAT`; a part that a refusal lacks stays empty.
"""

from dataclasses import dataclass


@dataclass(frozen=True)
class RefusalText:
    """One row; `code` is a key of `protocol.errors.CODES`, the other parts are templates for `str.format`."""

    code: str
    what: str
    expected: str = ""
    found: str = ""
    do: str = ""


REFUSALS: dict[str, RefusalText] = {}
