"""`drillfeed rehearse` shows sides, what is left out, and waits, with nothing moving."""

import json

import pytest

from drillfeed.daemon.cli import main


def lines_of(capsys: pytest.CaptureFixture[str], *arguments: str) -> list[str]:
    assert main(["rehearse", *arguments]) == 0
    return capsys.readouterr().out.splitlines()


def test_sides_are_shown_with_their_pan(capsys: pytest.CaptureFixture[str]) -> None:
    """For either hand the side is named as the player sees it, and the pan turns over."""
    pans = {}
    for hand in ("right", "left"):
        lines = lines_of(capsys, "two-and-two", "--machine", "hall-pan", "--hand", hand, "--balls", "4", "--json")
        balls = [json.loads(line) for line in lines[:-1]]
        assert [ball["side"] for ball in balls] == ["forehand", "forehand", "backhand", "backhand"]
        pans[hand] = [ball["pan_deg"] for ball in balls]
    assert pans["left"] == [-pan for pan in pans["right"]]


def test_what_is_left_out_is_told_before_the_first_set(capsys: pytest.CaptureFixture[str]) -> None:
    """On a machine without pan one line says so, for people and for programs, and no side is shown."""
    note = "sides are left out: club-build has no pan, every ball goes down the middle"
    lines = lines_of(capsys, "steady-forehand", "--balls", "3")
    assert f"      {note}" in lines[:5]
    assert not any("to forehand" in line for line in lines)
    assert json.loads(lines_of(capsys, "steady-forehand", "--json")[-1])["summary"]["left_out"] == [note]


def test_a_drill_that_needs_sides_is_refused_without_pan(capsys: pytest.CaptureFixture[str]) -> None:
    """The refusal goes to stderr with the exit status of a wrong command line."""
    assert main(["rehearse", "step-round"]) == 2
    assert "it needs sides (backhand, wide-backhand, wide-forehand)" in capsys.readouterr().err


def test_waits_stand_in_the_time_line(capsys: pytest.CaptureFixture[str]) -> None:
    """Short, long, then six seconds: the gaps are those of the tempo and of the wait."""
    balls = [json.loads(line) for line in lines_of(capsys, "short-then-long", "--balls", "5", "--json")[:-1]]
    assert [ball["interval_s"] for ball in balls] == [None, 2.1429, 6.0, 2.1429, 6.0]
