"""Calibration and trim files beside a profile."""

import shutil
from pathlib import Path

import pytest

from drillfeed.daemon.aim.thrower import thrower_of
from drillfeed.daemon.calibration import Calibration, Fitted, Trim, Trims, beside, read_calibration
from drillfeed.daemon.files import read_toml
from drillfeed.daemon.library.loading import find, load_machine
from drillfeed.daemon.validation import InvalidFile

NONE = Fitted(
    top_slope=0.01, top_offset_mps=0.1, bottom_slope=0.01, bottom_offset_mps=0.1, tilt_zero_deg=0.3, drag=0.03
)
LEARNT = Calibration(
    machine="club-build",
    made_on="2026-03-07",
    balls=25,
    ball_batch='worn "club" balls',
    scatter_cm=4.2,
    left_open=("drag",),
    values=Fitted(
        top_slope=0.95, top_offset_mps=-0.1, bottom_slope=1.03, bottom_offset_mps=0.2, tilt_zero_deg=1.5, drag=0.55
    ),
    deviations=NONE,
)


@pytest.fixture
def profile(tmp_path: Path) -> Path:
    """Return a profile of the user's own, a copy of the club build."""
    copy = tmp_path / "mine.toml"
    shutil.copy(find("machines", "club-build"), copy)
    return copy


def test_a_calibration_file_reads_back_as_written(tmp_path: Path) -> None:
    """What is written is read back the same, quotes in a batch's name included."""
    file = tmp_path / "x.toml"
    file.write_text(LEARNT.as_toml(), encoding="utf-8")
    assert read_calibration(read_toml(file), str(file), "club-build") == LEARNT


def test_the_calibration_beside_a_profile_is_used(profile: Path) -> None:
    """A profile is uncalibrated until its file lies beside it; then aiming goes through it."""
    assert not thrower_of(load_machine(str(profile))).calibrated
    beside(profile, "calibration").write_text(LEARNT.as_toml(), encoding="utf-8")
    thrower = thrower_of(load_machine(str(profile)))
    assert thrower.calibrated
    assert thrower.top_line.slope == 0.95
    assert thrower.tilt_zero_deg == 1.5


def test_another_machine_s_calibration_is_refused(profile: Path) -> None:
    """A calibration made on another machine is refused, with both names."""
    other = LEARNT.model_copy(update={"machine": "kit-build"})
    beside(profile, "calibration").write_text(other.as_toml(), encoding="utf-8")
    with pytest.raises(InvalidFile, match=r"kit-build.*club-build"):
        load_machine(str(profile))


@pytest.mark.parametrize(("balls", "stale"), [(5000, False), (5001, True)])
def test_a_calibration_grows_stale_with_balls(balls: int, stale: bool) -> None:
    """After its age in balls a calibration is stale."""
    assert LEARNT.is_stale(balls) is stale


def test_trims_read_back_and_stay_apart(profile: Path) -> None:
    """Trims lie in a file of their own, one for each ball type, the last one counting."""
    trims = Trims().with_trim(Trim(ball="light-push", long_cm=-4)).with_trim(Trim(ball="light-push", long_cm=-6))
    beside(profile, "trim").write_text(trims.as_toml(), encoding="utf-8")
    machine = load_machine(str(profile))
    assert machine.trims.of("light-push").long_cm == -6
    assert machine.trims.of("rally-topspin").long_cm == 0
    assert machine.calibration is None
