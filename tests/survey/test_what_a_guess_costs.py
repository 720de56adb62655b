"""What is not known of a machine: it flows into ranges and shares, and `check` ranks it by what it does to balls."""

import tomllib
from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from drillfeed.daemon.aim.causes import Cause, causes_of, with_value
from drillfeed.daemon.aim.costs import balance_of
from drillfeed.daemon.aim.likely import likely_balls
from drillfeed.daemon.aim.spread import Setting, spread_of
from drillfeed.daemon.aim.thrower import launch_by, thrower_of
from drillfeed.daemon.aim.unknown import unknown_of
from drillfeed.daemon.cli import main
from drillfeed.daemon.demo.choice import choose
from drillfeed.daemon.guesses import guess_lines, guesses_of
from drillfeed.daemon.library.loading import load_balls, load_machine
from drillfeed.daemon.machine import Machine
from drillfeed.daemon.physics.flight import fly
from drillfeed.daemon.physics.table import NET_X_M
from drillfeed.daemon.physics.thrower import speed_share
from drillfeed.daemon.planning.doubts import slowest_gap_s, tempo_range
from drillfeed.daemon.planning.setting import setting_for
from drillfeed.daemon.survey.keys import keys_of
from drillfeed.daemon.survey.texts import answers_of, profile_text
from drillfeed.daemon.survey.topics import basis_of
from drillfeed.daemon.validation import validate
from tests.survey.answers import SLOW

BALL = Setting(6.5, 0.0, 18.9)
LABEL = {"wheels.speed_way": "label", "wheels.motor": 1000, "wheels.gear": 3}


def slow(changes: Mapping[str, object] | None = None) -> Machine:
    """Return the slow machine of the paper list with some answers changed."""
    text = profile_text(keys_of(answers_of(SLOW | dict(changes or {}), "answers", "2026-11-28", defaults=True)))
    return validate(Machine, tomllib.loads(text), "profile")


def cause(machine: Machine, path: str) -> Cause:
    """Return one of a machine's unknown values."""
    return next(found for found in causes_of(machine) if found.path == path)


def depth_m(machine: Machine, speed_mps: float, tilt_deg: float) -> float:
    """Return where a ball without spin lands that really leaves a machine so; flown one by one."""
    landed = fly(launch_by(thrower_of(machine), speed_mps, 0.0, tilt_deg)).landing_m
    assert landed is not None
    return landed[0] - NET_X_M


def really(machine: Machine, path: str, value: float) -> float:
    """Return where the ball lands if one value of the machine is another than its profile says, told the same."""
    true = with_value(machine, path, value)
    speed, tilt = BALL.speed_mps, BALL.tilt_deg
    if path == "wheels.diameter_mm":
        speed *= value / machine.top.diameter_mm
    elif path == "wheels.high_rpm":
        speed *= value / machine.top.highest_rpm
    elif path == "wheels.inertia_kg_m2":
        radius_m = machine.top.diameter_mm / 2000
        speed *= speed_share(value, radius_m) / speed_share(machine.top.inertia_kg_m2, radius_m)
    elif path == "tilt.slew_deg_per_s":
        tilt = machine.tilt.low_deg + (tilt - machine.tilt.low_deg) * value / machine.tilt.slew_deg_per_s
    elif path == "tilt.low_deg":
        part = (tilt - machine.tilt.low_deg) / (machine.tilt.high_deg - machine.tilt.low_deg)
        tilt += (1 - part) * (value - machine.tilt.low_deg)
    return depth_m(true, speed, tilt)


@pytest.mark.parametrize(
    "path",
    [
        "wheels.diameter_mm",
        "wheels.high_rpm",
        "wheels.inertia_kg_m2",
        "tilt.low_deg",
        "tilt.slew_deg_per_s",
        "opening.height_m",
        "opening.behind_end_line_m",
        "opening.pivot_to_opening_m",
    ],
)
def test_an_effect_is_what_a_machine_with_that_value_does(path: str) -> None:
    """Half of the difference between landings of two other machines, each flown by itself, within half a millimetre."""
    machine = slow({"wheels.mass_g": 45})
    unknown = cause(machine, path)
    balance = balance_of(thrower_of(machine), [unknown], [BALL])
    ends = [really(machine, path, unknown.value + sign * unknown.sd) for sign in (1, -1)]
    assert balance.causes[0][1].landing_m[0] == pytest.approx((ends[0] - ends[1]) / 2, abs=5e-4)


def test_the_sum_of_the_effects_is_how_balls_scatter() -> None:
    """The deviation added up from single effects agrees with 20,000 balls drawn by `spread`, within 6 %."""
    machine = slow({"tilt.play": "0.3 +- 0.05"})
    thrower = thrower_of(machine)
    added = balance_of(thrower, causes_of(machine), [BALL]).landing_sd_m()
    found = spread_of(thrower, BALL, np.random.default_rng(3), 20_000, unknown=unknown_of(thrower))
    assert found.depth_sd_m == pytest.approx(added, rel=0.06)


def test_what_is_measured_better_is_known_better() -> None:
    """Ranges and shares follow the marks: a tachometer narrows them, a label widens them; unmarked stays as it was."""

    def width(machine: Machine) -> float:
        (likely,) = likely_balls(thrower_of(machine), [BALL], np.random.default_rng(1))
        ends = likely.of("depth_m")
        assert ends is not None
        return ends.high - ends.low

    measured, label = slow({"wheels.mass_g": 45}), slow(LABEL)
    unmarked = measured.model_copy(update={"known": {}})
    assert width(measured) < width(unmarked) < width(label)
    assert unknown_of(thrower_of(unmarked)).wheel_share == 0.02
    exact = {path: mark.model_copy(update={"plus_minus": 0.0}) for path, mark in measured.known.items()}
    known = unknown_of(thrower_of(measured.model_copy(update={"known": exact})))
    bare = replace(known, shifts=())
    drawn = (
        likely_balls(thrower_of(measured), [BALL], np.random.default_rng(1), unknown)[0].ranges["depth_m"]
        for unknown in (known, bare)
    )
    wide, narrow = (ends.high - ends.low for ends in drawn)
    assert narrow < wide < width(measured)  # the second wheel, taken as like the first, is still unknown


def test_the_worst_guess_comes_first_and_is_what_to_measure_next() -> None:
    """A full speed from a label outweighs all; measured, something else is named, and the promise is kept."""
    balls, guessed = list(load_balls().values()), slow(LABEL)
    before = guesses_of(guessed, balls, alike=True)
    after = guesses_of(slow(), balls, alike=True)
    assert before is not None
    assert after is not None
    assert before.costs[0].cause.path == "wheels.high_rpm"
    assert before.gains[0].topic.name == "full-speed"
    assert after.landing_sd_m == pytest.approx(before.gains[0].landing_sd_m, rel=0.05)
    assert not after.gains or after.gains[0].topic.name != "full-speed"
    told = "\n".join(guess_lines(before, "my.toml"))
    assert "drillfeed profile improve my.toml full-speed" in told


def test_once_all_is_measured_well_calibrating_is_next() -> None:
    """A profile with every mark at what careful measuring leaves asks for no further single measurement."""
    machine = slow()
    best = {
        found.path: machine.known[found.path].model_copy(update={"basis": "measured", "plus_minus": 2 * found.best_sd})
        for found in causes_of(machine)
        if found.path in machine.known
    }
    careful = guesses_of(machine.model_copy(update={"known": best}), list(load_balls().values()), alike=True)
    assert careful is not None
    assert not careful.gains
    assert "drillfeed calibrate" in guess_lines(careful, "my.toml")[-1]


def test_tempo_is_a_range_about_what_the_profile_says() -> None:
    """Guessed ramps leave the slowest change open; measured ones narrow it; an unmarked profile says nothing."""
    machine = slow()
    types = load_balls()
    ball = setting_for(types["no-spin-steady"], machine)
    settings = [ball, replace(ball, top_rpm=ball.top_rpm + 500, bottom_rpm=ball.bottom_rpm - 500)]
    needed_s = slowest_gap_s(machine, settings)
    measured = tempo_range(machine, settings, needed_s, np.random.default_rng(1))
    guessed_machine = slow({"wheels.coast_half_s": "", "wheels.rest_s": "", "wheels.half_s": "", "wheels.full_s": ""})
    guessed = tempo_range(guessed_machine, settings, needed_s, np.random.default_rng(1))
    assert measured is not None
    assert guessed is not None
    assert measured.low_s < needed_s < measured.high_s
    assert guessed.high_s - guessed.low_s > measured.high_s - measured.low_s
    assert guessed.text is not None
    assert "s late" in guessed.text
    assert tempo_range(machine.model_copy(update={"known": {}}), settings, needed_s, np.random.default_rng(1)) is None


def test_check_and_rehearse_tell_it(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """`check` of a marked profile ranks; of an unmarked one says what is assumed; `rehearse` gives ranges."""
    file = tmp_path / "mine.toml"
    answers = answers_of(SLOW | LABEL, "answers", "2026-11-28", defaults=True)
    file.write_text(profile_text(keys_of(answers)))
    assert main(["check", str(file)]) == 0
    told = capsys.readouterr().out
    assert "worth measuring next: full-speed, with a phone's slow motion or a tachometer" in told
    assert main(["check", "kit-build"]) == 0
    assert "does not say how its values are known" in capsys.readouterr().out
    assert main(["rehearse", "mixed-spin-gentle", "--machine", "kit-build", "--balls", "8"]) == 0
    assert "no-spin-steady: lands " in capsys.readouterr().out


def test_improve_takes_what_brings_most(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Without a topic, `profile improve` asks for what `check` names."""
    file, answers = tmp_path / "mine.toml", tmp_path / "new.toml"
    file.write_text(profile_text(keys_of(answers_of(SLOW | LABEL, "answers", "2026-11-28", defaults=True))))
    answers.write_text("wheels.speed_way = 'tachometer'\nwheels.tachometer = '2990 +- 30'\n")
    assert main(["profile", "improve", str(file), "--answers", str(answers)]) == 0
    machine = load_machine(str(file))
    assert machine.top.highest_rpm == 2990
    guesses = guesses_of(machine, list(load_balls().values()), alike=True)
    assert guesses is not None
    assert all(gain.topic.name != "full-speed" or basis_of(gain.topic, machine) == "measured" for gain in guesses.gains)
    capsys.readouterr()


def test_the_demo_finds_a_drill_for_slow_wheels(tmp_path: Path) -> None:
    """A machine that throws neither of the usual demo drills gets the one with the most kinds of ball it can do."""
    file = tmp_path / "mine.toml"
    weak = {"wheels.frames": 105, "supply.low": 9.0, "supply.high": 10.2, "name": "weak"}
    file.write_text(profile_text(keys_of(answers_of(SLOW | weak, "answers", "2026-11-28", defaults=True))))
    assert choose(None, str(file), 4, 1).plan.balls == 4
