"""Calibrate refuses what no machine can be, says when top and bottom are exchanged, and names rows that do not fit."""

import json
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from drillfeed.daemon.aim.calibrate import BELIEF_SD, fit
from drillfeed.daemon.aim.doubts import doubts
from drillfeed.daemon.aim.expected import defaults
from drillfeed.daemon.aim.marks import Mark, exchanged
from drillfeed.daemon.aim.thrower import rims_of, rpm_of, thrower_of
from drillfeed.daemon.cli import main
from drillfeed.daemon.library.loading import load_machine
from drillfeed.daemon.physics.thrower import Rims
from tests.aim.test_calibration_recovers import thrown

CLUB = thrower_of(load_machine("club-build"))


def session(seed: int) -> tuple[list[Mark], np.random.Generator]:
    """Return 25 landings of a machine taken at random from those that are believed to exist."""
    rng = np.random.default_rng(seed)
    truth = defaults(CLUB) + rng.normal(0.0, 1.0, 6) * BELIEF_SD * (1, 1, 1, 1, 1, 0)
    return thrown(truth, rng), rng


def longer(marks: list[Mark], index: int, by_m: float) -> list[Mark]:
    """Return the marks with one of them wrong."""
    depth_m = marks[index].depth_m
    assert depth_m is not None
    return [replace(m, depth_m=depth_m + by_m) if i == index else m for i, m in enumerate(marks)]


@pytest.mark.parametrize("seed", range(10))
def test_exchanged_rows_are_refused_and_called_so(seed: int) -> None:
    """All rows with top and bottom exchanged: refused in 10 of 10, by name; as measured they are accepted."""
    marks, _ = session(seed)
    assert fit(CLUB, marks).refused is None
    told = fit(CLUB, [exchanged(m) for m in marks]).refused
    assert told is not None and told.startswith("top and bottom seem to be exchanged")


@pytest.mark.parametrize("seed", range(10))
def test_one_wrong_mark_is_named_and_no_other(seed: int) -> None:
    """Of 25 marks the one that is wrong by 50 cm is named, and none where all are right."""
    marks, rng = session(seed)
    assert doubts(CLUB, marks) == ()
    odd_row = int(rng.integers(len(marks)))
    (found,) = doubts(CLUB, longer(marks, odd_row, 0.5 if seed % 2 else -0.5))
    assert found.index == odd_row
    assert f"row {odd_row + 1} " in found.text and "by the other rows it should be" in found.text


def test_three_wrong_marks_are_named() -> None:
    """Three wrong marks do not hide each other."""
    marks, _ = session(3)
    for index, by_m in ((2, 0.5), (11, -0.4), (19, 0.6)):
        marks = longer(marks, index, by_m)
    assert [doubt.index for doubt in doubts(CLUB, marks)] == [2, 11, 19]


def test_one_exchanged_row_is_named_with_what_helps() -> None:
    """A single row with top and bottom exchanged is named, and that it fits the other way round."""
    marks, _ = session(4)
    marks[5] = exchanged(marks[5])
    (found,) = doubts(CLUB, marks)
    assert found.index == 5
    assert "it fits with top and bottom exchanged" in found.text


def test_a_wrong_tachometer_reading_is_named() -> None:
    """A reading of the tachometer with a digit lost is named for what it is."""
    marks, _ = session(6)
    marks = [replace(m, tach_top_rpm=m.top_rpm, tach_bottom_rpm=m.bottom_rpm) for m in marks]
    marks[7] = replace(marks[7], tach_bottom_rpm=marks[7].bottom_rpm / 10)
    (found,) = doubts(CLUB, marks)
    assert found.index == 7
    assert "its tachometer below does not fit" in found.text


@pytest.mark.parametrize(
    ("share", "tilt_deg", "named"),
    [(0.6, 0.0, "top_slope"), (1.5, 0.0, "top_offset_mps"), (1.0, 10.0, "tilt_zero_deg")],
    ids=["slow", "fast", "tilt"],
)
def test_a_machine_that_cannot_be_is_refused(share: float, tilt_deg: float, named: str) -> None:
    """Wheels 40 % slower or 50 % faster than told, or a tilt 10 degrees off: refused with values and what to do."""
    marks, _ = session(0)
    rims = [rims_of(CLUB, m.top_rpm, m.bottom_rpm) for m in marks]
    told = [rpm_of(CLUB, Rims(r.top_mps / share, r.bottom_mps / share)) for r in rims]
    odd = [
        replace(m, top_rpm=top, bottom_rpm=bottom, tilt_deg=m.tilt_deg + tilt_deg)
        for m, (top, bottom) in zip(marks, told, strict=True)
    ]
    refused = fit(CLUB, odd).refused
    assert refused is not None and refused.startswith("no machine is likely to be so far off: ")
    assert f"{named} " in refused and "(usual " in refused and "in the profile" in refused


@pytest.fixture
def odd_file(tmp_path: Path) -> Path:
    """Return a file of 25 marks, that of line 9 wrong by 50 cm."""
    marks = longer(session(1)[0], 7, 0.5)
    rows = [f"{m.top_rpm:.1f},{m.bottom_rpm:.1f},{m.tilt_deg},{100 * (m.depth_m or 0):.0f}" for m in marks]
    path = tmp_path / "marks.csv"
    path.write_text("\n".join(["top_rpm,bottom_rpm,tilt_deg,depth_cm", *rows]), encoding="utf-8")
    return path


def test_a_script_is_told_which_option_decides(odd_file: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Without a terminal an odd row is named by its line, nothing is written, and either option decides."""
    out = odd_file.with_name("out.toml")
    words = ["calibrate", str(odd_file), "--out", str(out)]
    assert main(words) == 1
    told = capsys.readouterr().out
    assert "line 9 (" in told and "1 row does not fit the others: --odd-rows leave-out" in told
    assert not out.exists()
    assert main([*words, "--json"]) == 1
    record = json.loads(capsys.readouterr().out)
    assert record["calibrated"] is False and record["file"] is None and record["odd_rows"][0].startswith("line 9 ")
    assert main([*words, "--odd-rows", "leave-out", "--json"]) == 0
    left = json.loads(capsys.readouterr().out)
    assert left["balls"] == 24 and out.exists()
    assert main([*words, "--odd-rows", "keep", "--json"]) == 0
    kept = json.loads(capsys.readouterr().out)
    assert kept["balls"] == 25 and kept["scatter_cm"] > 1.8 * left["scatter_cm"]


@pytest.mark.parametrize(("typed", "balls"), [(["what", "l"], 24), (["k"], 25), ([], None)], ids=["out", "keep", "end"])
def test_a_person_is_asked(
    odd_file: Path,
    capsys: pytest.CaptureFixture[str],
    monkeypatch: pytest.MonkeyPatch,
    typed: list[str],
    balls: int | None,
) -> None:
    """At a terminal each odd row is shown and asked about; where the answers end, nothing is written."""
    answers, asked, out = iter(typed), [], odd_file.with_name("out.toml")

    def answer(question: str) -> str:
        asked.append(question)
        for line in answers:
            return line
        raise EOFError

    monkeypatch.setattr("sys.stdin.isatty", lambda: True)
    monkeypatch.setattr("builtins.input", answer)
    assert main(["calibrate", str(odd_file), "--out", str(out)]) == (1 if balls is None else 0)
    assert len(asked) == max(len(typed), 1)
    assert asked[0].startswith("line 9 (") and asked[0].endswith("k keeps it, l leaves it out: ")
    assert out.exists() is (balls is not None)
    if balls is not None:
        assert f"({balls} balls)" in capsys.readouterr().out
