"""What a drill trains, and when to move on, is shown where the drill is listed and rehearsed."""

import json

import pytest

from drillfeed.daemon.cli import main
from drillfeed.daemon.library.loading import load_drill

DRILL = "gentle-warm-up"


def test_a_listing_for_programs_tells_the_purpose(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["list", "drills", "--json"]) == 0
    entries = {entry["name"]: entry for entry in map(json.loads, capsys.readouterr().out.splitlines())}
    drill = load_drill(DRILL, None)
    assert drill.trains and entries[DRILL]["trains"] == drill.trains
    assert drill.move_on and entries[DRILL]["move_on"] == drill.move_on


@pytest.mark.parametrize("words", [["list", "drills"], ["rehearse", "mixed-spin"]])
def test_people_read_the_purpose(words: list[str], capsys: pytest.CaptureFixture[str]) -> None:
    assert main(words) == 0
    shown = capsys.readouterr().out
    drill = load_drill("mixed-spin", None)
    assert f"trains: {drill.trains}" in shown
    assert f"move on: {drill.move_on}" in shown


def test_a_rehearsal_tells_what_a_player_cannot_know(capsys: pytest.CaptureFixture[str]) -> None:
    """Each random set has one line, and its figures in the summary: shares that add up to one, and what is guessed."""
    assert main(["rehearse", "lift-the-push", "--json"]) == 0
    *_, last = capsys.readouterr().out.splitlines()
    (found, *_) = json.loads(last)["summary"]["surprise"]
    assert found["set"] == 3 and not found["exact"]
    assert found["shares"] == {"light-push": 0.5, "heavy-push": 0.5}
    assert 0.6 < found["guessed"] < 0.75 and found["bits"] < 1.0
    assert main(["rehearse", "lift-the-push"]) == 0
    assert f"can't know {found['bits']:.2f} bits a ball" in capsys.readouterr().out
