"""English: the language that every other one falls back to."""

from drillfeed.protocol.texts.en import (
    aim,
    arguments,
    clients,
    codes,
    commands,
    demo,
    drills,
    engine,
    files,
    flight,
    journal,
    link,
    listing,
    notices,
    page,
    phone,
    planning,
    refusals,
    replaying,
    shell,
    status,
)
from drillfeed.protocol.texts.rows import Language, PluralForm


def plural(count: float) -> PluralForm:
    """Return the form of a word for a number: `1 ball`, `0 balls`."""
    return "one" if count == 1 else "other"


TABLES = (
    aim,
    arguments,
    clients,
    codes,
    commands,
    demo,
    drills,
    engine,
    files,
    flight,
    journal,
    link,
    listing,
    notices,
    page,
    phone,
    planning,
    refusals,
    replaying,
    shell,
    status,
)
LANGUAGE = Language(
    {name: row for table in TABLES for name, row in getattr(table, "TEXTS", {}).items()},
    {name: row for table in TABLES for name, row in getattr(table, "REFUSALS", {}).items()},
    plural,
)
