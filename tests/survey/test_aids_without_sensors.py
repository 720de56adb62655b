"""Aids for machines without sensors: wheels by a table of duties, a crank by time, a held key that measures."""

from pathlib import Path

import numpy as np
import pytest

from drillfeed.clients.drivers.duty import aged_share, duty_for, duty_of, off_rpm, rpm_for, table_of
from drillfeed.clients.drivers.timed_crank import turn_s
from drillfeed.daemon.cli import main
from drillfeed.daemon.files import read_toml
from drillfeed.daemon.library.loading import load_machine
from drillfeed.daemon.survey.asking import course_from, jog_words, take
from drillfeed.daemon.survey.keys import keys_of
from drillfeed.daemon.survey.questions import BY_ID
from drillfeed.daemon.survey.texts import answers_of, profile_text
from tests.survey.answers import SLOW

TODAY = "2026-11-28"
TABLE = table_of(9.6, (0.25, 0.5, 0.75, 1.0), (620, 1380, 2200, 2950), 30.0)
DUTIES = "\n".join(
    ["duty.volts = 9.6"]
    + [f"duty.{wheel}_{duty} = {rpm}" for wheel, share in (("top", 1.0), ("bottom", 0.98)) for duty, rpm in
       ((25, 620 * share), (50, 1380 * share), (75, 2200 * share), (100, 2950 * share))]
)  # fmt: skip


@pytest.mark.parametrize("volts", [None, 8.7, 9.6, 10.4])
@pytest.mark.parametrize("rpm", [300.0, 700.0, 1380.0, 2600.0])
def test_a_speed_and_its_duty_lead_back(rpm: float, volts: float | None) -> None:
    """Whatever the battery has, the duty for a speed makes that speed, as long as it is below full."""
    assert rpm_for(duty_for(rpm, TABLE, volts), TABLE, volts) == pytest.approx(rpm)


def test_lines_between_points_are_off_by_what_is_told() -> None:
    """A motor with an even bend: speeds from a table of four duties lie within its plus-minus, to a tenth of it."""

    def true_rpm(duty: float) -> float:
        return 3400 * duty - 450 * duty**2

    duties = (0.25, 0.5, 0.75, 1.0)
    table = table_of(9.6, duties, [true_rpm(duty) for duty in duties])
    off = [abs(true_rpm(duty_for(rpm, table, None)) - rpm) / off_rpm(rpm, table) for rpm in np.linspace(900, 2900, 200)
           if off_rpm(rpm, table) > 0.5]  # fmt: skip
    assert len(off) > 150
    assert max(off) <= 1.1
    assert off_rpm(1380, TABLE) == pytest.approx(30.0)


def test_the_battery_ages_a_table() -> None:
    """Measured at 9.6 V: from 10.4 V down to 9.0 V a wheel turns between 94 and 108 % of it, if nothing tells."""
    assert aged_share(TABLE, 10.4, 9.0) == (pytest.approx(0.9375), pytest.approx(1.0833, abs=1e-4))


def test_a_crank_by_time_runs_longer_on_a_tired_battery() -> None:
    """A turn of 1.15 s at 9.6 V takes 1.227 s at 9.0 V; without a voltage the time stays; a wild reading is bounded."""
    assert turn_s(1.15, 9.6, 9.0) == pytest.approx(1.2267, abs=1e-4)
    assert turn_s(1.15, 9.6, None) == turn_s(1.15, 9.6, 0.0) == 1.15
    assert turn_s(1.15, 9.6, 0.01) == 2.3


def test_duties_make_the_drivers_table_and_mark_the_profile(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """`profile duty` writes the file that the driver reads, and full speeds with their plus-minus."""
    file, answers = tmp_path / "mine.toml", tmp_path / "duties.toml"
    file.write_text(profile_text(keys_of(answers_of(SLOW, "answers", TODAY, defaults=True))))
    answers.write_text(DUTIES)
    assert main(["profile", "duty", str(file), "--answers", str(answers)]) == 0
    table = tmp_path / "mine.duty.toml"
    assert duty_of(read_toml(table), str(table))["top"] == TABLE
    machine = load_machine(str(file))
    assert (machine.top.highest_rpm, machine.bottom.highest_rpm) == (2950, pytest.approx(2891))
    marked = machine.known_of("wheels.top.high_rpm")
    assert marked is not None
    assert marked[1].basis == "measured"
    assert marked[1].plus_minus is not None
    assert marked[1].plus_minus >= 30.0
    assert "4 duties at 9.6 V" in marked[1].how
    answers.write_text(DUTIES.replace("2950", "2150"))
    assert main(["profile", "duty", str(file), "--answers", str(answers)]) == 2
    assert "above the previous one" in capsys.readouterr().err


def test_the_battery_is_measured_into_the_sag() -> None:
    """A battery of 10.4 V full and 9.1 V empty costs an eighth of the speed."""
    keys = {
        key.path: key for key in keys_of(answers_of(SLOW | {"supply.low": 9.1, "supply.high": 10.4}, "a", TODAY, True))
    }
    assert keys["wheels.sag_share"].value == pytest.approx(0.125)
    assert keys["wheels.sag_share"].known is not None
    assert "supply.low_v" not in keys


def test_a_held_key_joins_in_where_it_measures() -> None:
    """Typing jog at the tilt's time calls `drillfeed jog`, and the question stays; elsewhere it is no answer."""
    answers = answers_of(SLOW, "answers", TODAY, defaults=True)
    before = {id: answer for id, answer in answers.items() if id != "tilt.travel_s"}
    course = take(course_from(before), "jog", TODAY)
    assert course.jog == ("tilt", "45") == jog_words(BY_ID["tilt.travel_s"], answers)
    assert course.question is BY_ID["tilt.travel_s"]
    at_height = course_from({id: answer for id, answer in answers.items() if id != "opening.height"})
    assert take(at_height, "jog", TODAY).said
