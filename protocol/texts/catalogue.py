"""Look a text up by its id and fill in its values.

Rule of this file: all texts that people read stand in the tables of this package, one table for each kind, and a test
finds every id that code uses, every id that nothing uses, and every value that a call leaves out. A translation needs
no more than another set of tables.
"""

from drillfeed.protocol.texts.labels import LABELS
from drillfeed.protocol.texts.notices import NOTICES
from drillfeed.protocol.texts.refusals import REFUSALS, RefusalText

TEXTS: dict[str, str] = {**NOTICES, **LABELS}


def text(name: str, /, **values: object) -> str:
    """Return the notice or label called `name`, filled in; raise KeyError if there is none or a value is missing."""
    return TEXTS[name].format(**values)


def refusal_text(name: str, /, **values: object) -> RefusalText:
    """Return the refusal called `name`, all its parts filled in; raise KeyError as `text` does."""
    row = REFUSALS[name]
    return RefusalText(
        row.code,
        row.what.format(**values),
        row.expected.format(**values),
        row.found.format(**values),
        row.do.format(**values),
    )
