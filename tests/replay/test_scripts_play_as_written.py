"""Scripts that are played again: each script gives itself, to the letter and to the hundredth of a second.

After a change that is meant: `python -m tests.replay.rewrite_scripts`, then read the difference.
"""

from pathlib import Path

import pytest

from drillfeed.protocol.commands import COMMANDS
from tests.support.stage import play, typed_lines

SCRIPTS = sorted((Path(__file__).parent / "scripts").glob("*.txt"))


@pytest.mark.parametrize("path", SCRIPTS, ids=[path.stem for path in SCRIPTS])
def test_script_plays_as_written(path: Path, tmp_path: Path) -> None:
    """What is typed at these times is answered, and told to watchers, as the script says."""
    script = path.read_text("utf-8")
    assert play(script, tmp_path) == script


def test_every_command_of_the_desk_is_typed_in_a_script() -> None:
    """No command that the desk is given is without a replay."""
    typed = {typed.line.split()[0] for path in SCRIPTS for typed in typed_lines(path.read_text("utf-8"))}
    assert {verb for verb, row in COMMANDS.items() if row.handled_by == "desk"} <= typed
