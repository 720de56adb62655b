"""A practice played from its script, and what the journal says of it afterwards."""

import contextlib
import json
import re
from pathlib import Path

from drillfeed.daemon.journal import reading, report
from drillfeed.daemon.journal.schema import open_to_read
from drillfeed.protocol.commands import COMMANDS
from tests.support.stage import play, typed_lines

SCRIPT = Path(__file__).parents[1] / "replay" / "scripts" / "practice.txt"


def test_history_tells_what_watchers_were_told(tmp_path: Path) -> None:
    """Balls, exits, marks, changes and commands of the journal are those of the script, no more and no fewer."""
    told = play(SCRIPT.read_text("utf-8"), tmp_path)
    with contextlib.closing(open_to_read(tmp_path / "journal.sqlite")) as connection:
        found = reading.session(connection, 1)
    balls = re.findall(r"! ball (\d+) (\S+) fed$", told, re.MULTILINE)
    assert [(str(throw["n"]), throw["ball"]) for throw in found.throws] == balls
    assert sum(throw["seen"] or 0 for throw in found.throws) == len(re.findall(r"! exit \d+ seen", told))
    assert [(planned_set.player, planned_set.level) for planned_set in found.sets] == [("left-hander", "junior")] * 2
    assert any(re.search(r"left-hander +junior", line) for line in report.session_lines(found, 160))
    assert (found.sets[0].made, found.sets[0].out_of) == (14, 20)
    assert [change["what"] for change in found.changes] == re.findall(
        r"! change (.*?)(?: \[change\])?$", told, re.MULTILINE
    )
    (eased,) = [change for change in found.changes if change["what"].startswith("easier")]
    fields = json.loads(eased["fields"])
    assert eased["n"] == int(re.search(r"from ball (\d+)", eased["what"])[1])  # type: ignore[index]
    assert fields["seed"] == found.sets[0].seed
    typed = [(typed.line, typed.role) for typed in typed_lines(told) if COMMANDS[typed.line.split()[0]].recorded]
    assert [(command["line"], command["role"]) for command in found.commands] == typed
    assert [command["line"] for command in found.commands if command["code_name"] == "not-allowed"] == ["start 0"]
