"""`drillfeed rehearse` shows sides, what is left out, and waits, with nothing moving."""

import json
import re
from pathlib import Path

import pytest

from drillfeed.daemon.cli import main
from drillfeed.daemon.library.loading import find


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


ONE_SIDE = """
name = "one-side"
title = "One side"
level = "beginner"
tempo_per_min = 30

[[set]]
balls = 6
[set.sequence]
kind = "fixed"
balls = ["light-topspin to forehand"]
"""


def test_what_is_left_out_is_told_before_the_first_set(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    """On a machine without pan one line says so, for people and for programs, and no side is shown."""
    note = "sides are left out: club-build has no pan, every ball goes down the middle"
    (own := tmp_path / "one-side.toml").write_text(ONE_SIDE, "utf-8")
    lines = lines_of(capsys, str(own), "--balls", "3")
    assert f"      {note}" in lines[: lines.index(next(line for line in lines if line.startswith("set 1")))]
    assert not any("to forehand" in line for line in lines)
    assert json.loads(lines_of(capsys, str(own), "--json")[-1])["summary"]["left_out"] == [note]


def test_the_level_in_force_is_told_with_its_figures(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    """With a level its limits stand at the head and in the summary, as the configuration has them; without, none."""
    own = tmp_path / "drillfeed.toml"
    own.write_text("[players.junior]\nmax_per_min = 28\n", "utf-8")
    words = ("topspin-and-push", "--balls", "3", "--level", "junior", "--config", str(own))
    head = lines_of(capsys, *words)[:3]
    summary = json.loads(lines_of(capsys, *words, "--json")[-1])["summary"]
    assert (summary["level"], summary["limits"][:31]) == ("junior", "junior: 28/min, 20 balls a set,")
    assert head[1] == f"limits of the player's level in force: {summary['limits']}"
    lines = lines_of(capsys, *words[:3])
    assert not any(line.startswith("limits of the player's level") for line in lines)
    summary = json.loads(lines_of(capsys, *words[:3], "--json")[-1])["summary"]
    assert (summary["level"], summary["limits"]) == (None, None)


def test_sidespin_is_shown_with_the_roll_of_the_head(capsys: pytest.CaptureFixture[str]) -> None:
    """For either hand the ball has the same name; its sidespin, pan and roll turn over, for people and for programs."""
    turned = {}
    for hand in ("right", "left"):
        words = ("against-the-bend", "--machine", "hall-roll", "--hand", hand)
        ball = json.loads(lines_of(capsys, *words, "--json")[10])
        assert ball["ball"] == "forehand-side-topspin"
        turned[hand] = [ball["side_revps"], ball["pan_deg"], ball["roll_deg"]]
        lines = lines_of(capsys, *words)
        at = next(k for k, line in enumerate(lines) if line.startswith("  11 "))
        head, line = lines[at - 1 : at + 1]
        assert {"side", "pan", "roll"} <= set(head.split())
        assert f"{ball['side_revps']:+.0f}" in line.split() and f"{ball['roll_deg']:+.1f}" in line.split()
    assert turned["right"][0] == 25 and turned["right"][1] < -2 and turned["right"][2] > 39
    assert turned["left"] == [-figure for figure in turned["right"]]


def test_sidespin_left_out_or_refused_is_told(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    """A drill that allows it is rehearsed without, and one line says so first; the shipped one is refused."""
    assert main(["check", "against-the-bend"]) == 2
    assert "club-build has no head that rolls" in capsys.readouterr().err
    assert main(["list", "drills"]) == 0
    assert "NOT HERE: it needs sidespin (forehand-side-topspin" in capsys.readouterr().out
    own = tmp_path / "bent.toml"
    own.write_text(find("drills", "against-the-bend").read_text("utf-8").replace('"needed"', '"wanted"'), "utf-8")
    summary = json.loads(lines_of(capsys, str(own), "--json")[-1])["summary"]
    (note,) = summary["left_out"]
    assert note.startswith(
        "sidespin is left out (forehand-side-topspin, backhand-side-topspin): club-build has no head"
    )
    lines = lines_of(capsys, str(own))
    assert f"      {note}" in lines[: lines.index(next(line for line in lines if line.startswith("set 1")))]


def test_balls_are_listed_with_their_sidespin(capsys: pytest.CaptureFixture[str]) -> None:
    """At launch and after the bounce; where there is no roll the reason stands there instead."""
    assert main(["list", "balls", "--machine", "hall-roll"]) == 0
    line = next(line for line in capsys.readouterr().out.splitlines() if line.startswith("backhand-side-topspin"))
    assert "+30 rev/s, side -25, 105 cm deep" in line
    assert re.search(r"roll -39\.8; after the bounce \+34 rev/s \(likely \+\d+ to \+\d+\), side -24", line), line
    assert main(["list", "balls"]) == 0
    assert "NOT HERE: sidespin -25 rev/s needs a head that rolls" in capsys.readouterr().out


def test_a_drill_that_needs_sides_is_refused_without_pan(capsys: pytest.CaptureFixture[str]) -> None:
    """The refusal goes to stderr with the exit status of a wrong command line."""
    assert main(["rehearse", "step-round"]) == 2
    assert "it needs sides (backhand, wide-backhand, wide-forehand)" in capsys.readouterr().err


def test_waits_stand_in_the_time_line(capsys: pytest.CaptureFixture[str]) -> None:
    """Short, long, then six seconds: the gaps are those of the tempo and of the wait."""
    balls = [json.loads(line) for line in lines_of(capsys, "short-then-long", "--balls", "5", "--json")[:-1]]
    assert [ball["interval_s"] for ball in balls] == [None, 2.1429, 6.0, 2.1429, 6.0]


def test_a_level_holds_the_rehearsal_within_its_limits(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    """The reason stands above the set, the house's own figure over the default, and a ball too much is refused."""
    drill = ("middle-then-a-wing", "--machine", "hall-pan", "--hand", "left", "--elbow", "8", "--level", "junior")
    lines = lines_of(capsys, *drill, "--balls", "3")
    assert "      tempo 36/min asked, 35/min by the player's profile junior" in lines
    config = tmp_path / "drillfeed.toml"
    config.write_text("[players.junior]\nmax_per_min = 24\n", "utf-8")
    summary = json.loads(lines_of(capsys, *drill, "--config", str(config), "--json")[-1])["summary"]
    assert summary["stretched"] == ["tempo 36/min asked, 24/min by the player's profile junior"]
    assert main(["rehearse", "lift-the-push", "--level", "junior"]) == 2
    assert "nearest that is allowed: light-push" in capsys.readouterr().err
    assert main(["check", "lift-the-push", "--level", "junior"]) == 2
    assert "lift-the-push: not possible on club-build: heavy-push: a ball of level club" in capsys.readouterr().err
    assert main(["list", "balls", "--level", "junior"]) == 0
    assert "heavy push (incoming)  NOT HERE: a ball of level club" in capsys.readouterr().out
