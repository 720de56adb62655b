"""The commands fly, aim, spread, calibrate and plot, as they are called from a shell."""

import json
import re
import shutil
from pathlib import Path
from typing import Any

import pytest

from drillfeed.daemon.cli import main
from drillfeed.daemon.library.loading import find


def asked(capsys: pytest.CaptureFixture[str], *words: str) -> tuple[int, dict[str, Any]]:
    """Run a command with --json and return its exit status and what it printed."""
    status = main([*words, "--json"])
    return status, json.loads(capsys.readouterr().out)


def test_fly_tells_the_flight(capsys: pytest.CaptureFixture[str]) -> None:
    """The JSON of a flight has the documented names, and the worked figures of a rally topspin."""
    status, told = asked(capsys, "fly", "--speed", "8.5", "--spin", "40", "--tilt", "15.4")
    assert status == 0
    names = (
        "time_s landing_m depth_m net_clearance_m apex_m landing_speed_mps bounces length valid in_model_range reason"
    )
    assert set(names.split()) <= set(told)
    assert told["depth_m"] == pytest.approx(1.10, abs=0.007)
    assert set(told["bounces"][0]) >= {"t", "x", "y", "half", "spin_after_revps", "speed_after_mps"}
    assert told["valid"] and told["in_model_range"] and told["reason"] is None


def test_thin_air_carries_farther(capsys: pytest.CaptureFixture[str]) -> None:
    """The same ball lands deeper at 2240 m than at sea level."""
    ball = ("fly", "--speed", "6.5", "--spin", "0", "--tilt", "18.9")
    assert asked(capsys, *ball, "--altitude", "2240")[1]["depth_m"] > asked(capsys, *ball)[1]["depth_m"] + 0.05


@pytest.mark.parametrize(
    ("words", "nonsense"),
    [
        (("--speed", "-3", "--spin", "0", "--tilt", "10"), "--speed -3"),
        (("--speed", "8", "--spin", "0", "--tilt", "10", "--humidity", "150"), "humidity"),
        (("--speed", "8", "--spin", "0", "--tilt", "10", "--height", "0"), "--height 0"),
        (("--speed", "8", "--spin", "0", "--tilt", "10", "--sidespin", "400"), "--sidespin 400"),
    ],
)
def test_fly_refuses_nonsense(capsys: pytest.CaptureFixture[str], words: tuple[str, ...], nonsense: str) -> None:
    """A figure that makes no sense is refused with status 2 and what was expected."""
    assert main(["fly", *words]) == 2
    assert nonsense in capsys.readouterr().err


def test_aim_gives_rpm_and_tilt(capsys: pytest.CaptureFixture[str]) -> None:
    """Solutions carry the documented names; flown, they land where asked."""
    status, told = asked(capsys, "aim", "--spin", "40", "--speed", "8.5", "--depth", "1.1")
    assert status == 0
    first = told["solutions"][0]
    assert {"arc", "speed_mps", "spin_revps", "tilt_deg", "top_rpm", "bottom_rpm"} <= set(first)
    tilt = ("--tilt", str(first["tilt_deg"]))
    assert asked(capsys, "fly", "--speed", "8.5", "--spin", "40", *tilt)[1]["depth_m"] == pytest.approx(1.1, abs=1e-3)


def test_aim_says_why_not_and_what_instead(capsys: pytest.CaptureFixture[str]) -> None:
    """Where there is no solution the status is 2, with the reason, the limit and the nearest ball."""
    words = ("aim", "--spin", "40", "--speed", "8.5", "--depth", "1.1", "--machine", "kit-build")
    status, told = asked(capsys, *words)
    assert status == 2
    assert told["limits"] == ["max_rim"]
    assert "rims reach 10.0" in told["reason"]
    assert told["nearest"]["valid"]
    assert main(list(words)) == 2
    assert "nearest:" in capsys.readouterr().err


def test_aim_gives_sidespin_by_the_roll_of_the_head(capsys: pytest.CaptureFixture[str]) -> None:
    """Sidespin becomes the wheels' spin and a roll; flown again, the ball lands where asked, bend and all."""
    words = ("aim", "--spin", "30", "--sidespin", "-25", "--speed", "7.5", "--depth", "1.05", "--side", "0.3")
    status, told = asked(capsys, *words, "--arc", "low", "--machine", "hall-roll")
    assert status == 0
    (first,) = told["solutions"]
    assert first["spin_revps"] == pytest.approx(39.051, abs=1e-3) and first["roll_deg"] == pytest.approx(
        -39.806, abs=1e-3
    )
    assert (first["topspin_revps"], first["sidespin_revps"]) == pytest.approx((30.0, -25.0), abs=1e-5)
    angles = ("--tilt", str(first["tilt_deg"]), "--pan", str(first["pan_deg"]))
    for spin in (("--spin", "30", "--sidespin", "-25"), ("--spin", "39.0512", "--roll", str(first["roll_deg"]))):
        flown = asked(capsys, "fly", "--speed", "7.5", *spin, *angles)[1]
        assert flown["landing_m"] == pytest.approx([1.37 + 1.05, 0.3], abs=1e-3)
        assert flown["side_after_revps"] == pytest.approx(first["side_after_revps"], abs=0.01)
        assert flown["side_after_revps"] < -20
    assert main([*words, "--machine", "hall-roll"]) == 0
    said = capsys.readouterr().out
    assert "+30.0 rev/s, side -25.0  tilt" in said and re.search(r"depth 105 cm \(\d+ to \d+\), 30 cm left", said)
    assert main([*words[:-2], "--machine", "club-build"]) == 2
    said = capsys.readouterr().err
    assert "spin +30.0 rev/s, side -25.0" in said and "this machine has no roll" in said


def test_aim_wants_two_figures(capsys: pytest.CaptureFixture[str]) -> None:
    """One figure besides spin is not enough, and that is said."""
    assert main(["aim", "--spin", "40", "--speed", "8.5"]) == 2
    assert "exactly two" in capsys.readouterr().err


def test_spread_tells_shares(capsys: pytest.CaptureFixture[str]) -> None:
    """The spread of a shipped ball has shares and an ellipse; an unknown ball is refused with near names."""
    status, told = asked(capsys, "spread", "rally-topspin", "--balls", "400")
    assert status == 0
    assert told["share_on_table"] > 0.99
    assert told["ellipse_90"]["long_m"] > told["ellipse_90"]["short_m"] > 0
    assert main(["spread", "raly-topspin"]) == 2
    assert "rally-topspin" in capsys.readouterr().err


def test_calibrate_writes_beside_the_profile_and_aim_uses_it(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """The example of --columns calibrates a machine; the file lies beside its profile, and aim no longer warns."""
    profile = tmp_path / "mine.toml"
    shutil.copy(find("machines", "club-build"), profile)
    assert main(["calibrate", "--columns"]) == 0
    text = capsys.readouterr().out
    marks = tmp_path / "marks.csv"
    marks.write_text(text[text.index("top_rpm,bottom_rpm,tilt_deg,depth_cm,balls") :], encoding="utf-8")
    aim = ["aim", "--spin", "20", "--speed", "7.5", "--depth", "1.0", "--machine", str(profile)]
    assert main(aim) == 0
    assert "uncalibrated" in capsys.readouterr().out
    assert main(["calibrate", str(marks), "--machine", str(profile), "--ball-batch", "old ones"]) == 0
    assert "calibrated: written to" in capsys.readouterr().out
    assert (tmp_path / "mine.calibration.toml").exists()
    assert main(aim) == 0
    assert "uncalibrated" not in capsys.readouterr().out


def test_calibrate_refuses_what_scatters(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Marks that scatter beyond the zone are not called calibrated: status 1, nothing written."""
    marks, out = tmp_path / "marks.csv", tmp_path / "out.toml"
    rows = [f"2094,2094,18.9,{depth}" for depth in (20, 130, 40, 110, 25, 125, 60, 95, 10)]
    marks.write_text("\n".join(["top_rpm,bottom_rpm,tilt_deg,depth_cm", *rows]), encoding="utf-8")
    assert main(["calibrate", str(marks), "--out", str(out)]) == 1
    assert "landing zone" in capsys.readouterr().out
    assert not out.exists()


def test_trim_adds_up_and_is_kept(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Two trims of one ball add up in the file beside the profile; beyond 40 cm, or aside without pan, is refused."""
    profile = tmp_path / "mine.toml"
    shutil.copy(find("machines", "club-build"), profile)
    trim = ["calibrate", "--trim", "light-push", "--machine", str(profile), "--long"]
    assert main([*trim, "-5"]) == 0
    assert main([*trim, "-3"]) == 0
    assert "aimed -8 cm along" in capsys.readouterr().out
    assert main([*trim, "-35"]) == 2
    assert "for a calibration" in capsys.readouterr().err
    assert main([*trim, "1", "--left", "4"]) == 2
    assert "club-build has no pan" in capsys.readouterr().err


def test_plot_draws_without_an_extra(capsys: pytest.CaptureFixture[str]) -> None:
    """A ball's side view comes out in characters."""
    assert main(["plot", "ball", "rally-topspin"]) == 0
    assert "cm along the table" in capsys.readouterr().out


@pytest.mark.parametrize("words", [("ball", "light-push"), ("drill", "mixed-spin"), ("envelope",)])
def test_plot_writes_the_same_picture_twice(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], words: tuple[str, ...]
) -> None:
    """Each picture is an SVG with its units in words, and the same bytes when drawn again."""
    first, second = tmp_path / "a.svg", tmp_path / "b.svg"
    assert main(["plot", *words, "--out", str(first)]) == 0
    assert main(["plot", *words, "--out", str(second)]) == 0
    text = first.read_text(encoding="utf-8")
    assert text.startswith("<?xml")
    assert ", cm" in text or "m/s" in text
    assert first.read_bytes() == second.read_bytes()


def test_plot_wants_a_picture_format(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """An ending other than .svg and .png is refused, and a drill has no view in characters."""
    assert main(["plot", "ball", "rally-topspin", "--out", str(tmp_path / "a.gif")]) == 2
    assert main(["plot", "drill", "mixed-spin"]) == 2
    assert "--out" in capsys.readouterr().err
