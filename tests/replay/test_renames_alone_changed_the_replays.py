"""Since the names changed, replays and vectors differ from those before by the table `renamed.toml` alone.

The files from before are kept in `before_renaming.zip`. A file that has changed on purpose since then is named in the
table with the reason: under `grown` if lines were only added, else under `changed`.
"""

import re
import tomllib
import zipfile
from pathlib import Path
from typing import get_args

import pytest

from drillfeed.daemon.aim.thrower import Limit
from drillfeed.daemon.engine.hazards import HAZARDS
from drillfeed.daemon.validation import RENAMED_KEYS
from drillfeed.protocol.commands import COMMANDS
from drillfeed.protocol.errors import CODES
from drillfeed.protocol.retired import RETIRED_COMMANDS, RETIRED_OPTIONS
from drillfeed.protocol.texts.catalogue import ENGLISH

HERE = Path(__file__).parent
TOP = HERE.parents[1]
TABLE: dict[str, dict[str, str]] = tomllib.loads((HERE / "renamed.toml").read_text("utf-8"))
GROWN, CHANGED = TABLE["grown"], TABLE["changed"]
WITH_NAMES = {
    "commands": r"(?:(?<=\|)|(?<==> )|(?<=: )|(?<=wrong-state )|(?<=Next: )){}(?![\w-])",
    "errors": r"(?<=no \d\d ){}(?![\w-])",
    **dict.fromkeys(("options", "causes", "limits", "keys", "texts"), r"(?<![\w-]){}(?![\w-])"),
}
"""Kind of name -> where in a file such a name stands."""


def before() -> dict[str, str]:
    """Return the files from before the renaming: path from the top of the project -> text."""
    with zipfile.ZipFile(HERE / "before_renaming.zip") as kept:
        return {name: kept.read(name).decode("utf-8") for name in sorted(kept.namelist())}


def renamed(text: str) -> str:
    """Return a text with every name of the table replaced."""
    for kind, where in WITH_NAMES.items():
        for old, new in TABLE[kind].items():
            text = re.sub(where.format(re.escape(old)), new, text)
    return text


def stands_in(lines: list[str], later: list[str]) -> bool:
    """Tell whether all lines stand in `later` in their order, whatever is between them."""
    rest = iter(later)
    return all(line in rest for line in lines)


@pytest.mark.parametrize(("path", "old"), before().items(), ids=before())
def test_only_the_names_changed(path: str, old: str) -> None:
    """The old file with the table applied is today's file, to the byte, or its change has a reason."""
    today = (TOP / path).read_bytes().decode("utf-8")
    if path in CHANGED:
        assert CHANGED[path] and not stands_in(renamed(old).splitlines(), today.splitlines())
    elif path in GROWN:
        assert GROWN[path] and renamed(old) != today
        assert stands_in(renamed(old).splitlines(), today.splitlines())
    else:
        assert renamed(old) == today


def test_reasons_are_of_files_that_are_kept() -> None:
    """No reason is given for a file that is not there, and none twice."""
    assert not set(GROWN) & set(CHANGED)
    assert set(GROWN) | set(CHANGED) <= set(before())


def test_the_table_is_what_is_refused_and_what_is_in_use() -> None:
    """Each new name is in use and each old one is not; commands, options and keys are refused by the same rows."""
    assert TABLE["commands"] == RETIRED_COMMANDS
    assert TABLE["options"] == {old: new for (_, old), new in RETIRED_OPTIONS.items()}
    assert TABLE["keys"].items() <= RENAMED_KEYS.items()
    in_use = {
        "commands": set(COMMANDS),
        "causes": {hazard.cause for hazard in HAZARDS},
        "errors": set(CODES),
        "limits": set(get_args(Limit)),
        "texts": set(ENGLISH.texts),
    }
    for kind, names in in_use.items():
        assert set(TABLE[kind].values()) <= names
        assert not set(TABLE[kind]) & names
