"""The guided set-up: what it asks, what it doubts, what it writes, and that it can be left and taken up again."""

import tomllib
from collections.abc import Mapping
from pathlib import Path

import pytest

from drillfeed.daemon.cli import main
from drillfeed.daemon.known import has_key
from drillfeed.daemon.library.loading import load_machine
from drillfeed.daemon.machine import Machine
from drillfeed.daemon.survey.answers import NotUnderstood, as_typed
from drillfeed.daemon.survey.asking import course_from, take
from drillfeed.daemon.survey.keys import keys_of
from drillfeed.daemon.survey.questions import BY_ID, QUESTIONS
from drillfeed.daemon.survey.sense import doubt
from drillfeed.daemon.survey.texts import answers_of, answers_text, profile_text
from drillfeed.daemon.survey.topics import topics_of
from drillfeed.daemon.validation import InvalidFile, validate
from tests.survey.answers import SLOW

TODAY = "2026-11-28"


def made(**changes: object) -> Machine:
    """Return the profile of the paper list with some answers changed (dots written as two underscores)."""
    return validate(Machine, tomllib.loads(written(changes)), "profile")


def written(changes: Mapping[str, object]) -> str:
    """Return the text of that profile."""
    data = SLOW | {name.replace("__", "."): value for name, value in changes.items()}
    return profile_text(keys_of(answers_of(data, "answers", TODAY, defaults=True)))


def test_a_file_of_answers_makes_a_profile_that_says_how_each_value_is_known() -> None:
    """Measured with how, when and plus-minus; guessed; default: each survives in the machine file."""
    machine = made()
    assert machine.top.high_rpm == 3000
    assert machine.feeder.high_balls_per_min == 52
    speed, mass, play = (machine.known[path] for path in ("wheels.high_rpm", "wheels.inertia_kg_m2", "tilt.play_deg"))
    assert (speed.basis, speed.when, speed.plus_minus) == ("measured", TODAY, 31.25)
    assert "96 frames" in speed.how
    assert (mass.basis, mass.plus_minus) == ("guessed", None)
    assert play.basis == "default"
    assert machine.known_of("wheels.top.high_rpm") == ("wheels.high_rpm", speed)


def test_every_number_of_the_profile_is_marked() -> None:
    """What the set-up writes as a figure has a mark, but for what follows from another answer."""
    unmarked = {
        key.path
        for key in keys_of(answers_of(SLOW, "answers", TODAY, defaults=True))
        if key.known is None and not isinstance(key.value, bool | str)
    }
    assert unmarked == {"hopper.low_at"}


@pytest.mark.parametrize(
    ("changes", "path", "value"),
    [
        ({"wheels__width_way": "round", "wheels__round": "179"}, "wheels.diameter_mm", 56.98),
        ({"wheels__speed_way": "tachometer", "wheels__tachometer": "2950 rpm"}, "wheels.high_rpm", 2950),
        ({"wheels__speed_way": "label", "wheels__motor": 1000, "wheels__gear": 3}, "wheels.high_rpm", 3000),
        ({"wheels__brake": True, "wheels__braked_s": 0.9}, "wheels.down_mps2", 9.948),
        ({"feeder__kind": "indexed"}, "feeder.kind", "indexed"),
        ({"supply__seen": True, "supply__low": 9, "supply__high": 10.4}, "supply.high_v", 10.4),
        ({"wheels__half_s": "", "wheels__full_s": ""}, "wheels.up_mps2", 5.0),
    ],
    ids=["strip of paper", "tachometer", "label and gear", "brake", "indexed feeder", "multimeter", "run-up unknown"],
)
def test_ways_of_measuring(changes: dict[str, object], path: str, value: object) -> None:
    """Each way of measuring leads to the key that it is for, in a profile that is valid."""
    data = tomllib.loads(written(changes))
    table, _, name = path.rpartition(".")
    assert data[table][name] == value
    made(**changes)


def test_wheels_of_two_kinds_are_asked_one_by_one() -> None:
    """Two different wheels have tables of their own, each marked."""
    part = {id.removeprefix("wheels."): value for id, value in SLOW.items() if id.startswith("wheels.")}
    rest = {id: value for id, value in SLOW.items() if not id.startswith("wheels.")}
    both = {f"wheels.{side}.{id}": value for side in ("top", "bottom") for id, value in part.items()}
    data = rest | {"wheels.alike": False} | both | {"wheels.bottom.across": "60"}
    text = profile_text(keys_of(answers_of(data, "answers", TODAY, defaults=True)))
    machine = validate(Machine, tomllib.loads(text), "profile")
    assert (machine.top.diameter_mm, machine.bottom.diameter_mm) == (57, 60)
    assert machine.known_of("wheels.bottom.diameter_mm") is not None


@pytest.mark.parametrize(
    ("id", "text", "told"),
    [
        ("wheels.across", "28.5", "type 57"),
        ("wheels.across", "179", "57.0 mm across"),
        ("wheels.frames", "40", "too few"),
        ("wheels.frames", "290", "geared up"),
        ("wheels.tachometer", "12000", "before the gear"),
        ("wheels.full_s", "0.4", "after half speed"),
        ("wheels.rest_s", "2", "sooner than the second"),
        ("tilt.high", "-5", "above the lower one"),
        ("tilt.travel_s", "60", "unusual"),
        ("opening.height", "100", "type 24"),
        ("opening.behind", "155", "type 18"),
        ("feeder.turns", "500", "a ball a second"),
        ("feeder.slowest", "60", "no fewer"),
        ("feeder.frames_1", "900", "tenth to half a second"),
        ("feeder.drift_1", "120", "quarter turn"),
        ("name", "Village Hall", "type village-hall"),
    ],
)
def test_odd_answers_are_doubted(id: str, text: str, told: str) -> None:
    """A radius for a diameter, the motor's rpm for the wheel's, the floor for the table: each is asked about."""
    changes = {"wheels.speed_way": "tachometer"} if id == "wheels.tachometer" else {}
    before = answers_of(SLOW | changes | {"wheels.tachometer": 3000} if changes else SLOW, "answers", TODAY, True)
    odd = doubt(id, as_typed(BY_ID[id], text), before)
    assert odd is not None
    assert told in odd
    assert doubt(id, before[id], before) is None


def test_an_odd_answer_is_kept_if_the_builder_is_sure() -> None:
    """A small wheel is doubted once; the same figure with ! stays."""
    with pytest.raises(InvalidFile, match="radius"):
        made(wheels__across="30", wheels__frames="60")
    assert made(wheels__across="30 !", wheels__frames="60 !").top.diameter_mm == 30


@pytest.mark.parametrize(
    ("text", "value", "plus_minus", "basis"),
    [
        ("57", 57.0, 1.0, "measured"),
        ("57 mm", 57.0, 1.0, "measured"),
        ("57,5 +- 0,5 mm", 57.5, 0.5, "measured"),
        ("57 ± 2", 57.0, 2.0, "measured"),
        ("about 57", 57.0, None, "guessed"),
        ("~57 +- 3", 57.0, 3.0, "guessed"),
    ],
)
def test_figures_as_people_type_them(text: str, value: float, plus_minus: float | None, basis: str) -> None:
    """Units, commas, plus-minus and guesses are understood."""
    answer = as_typed(BY_ID["wheels.across"], text)
    assert (answer.value, answer.plus_minus, answer.basis) == (value, plus_minus, basis)


@pytest.mark.parametrize("text", ["", "5 cm", "wide", "2,940", "57 +- x", "4", "1e9", "nan"])
def test_what_is_no_answer_is_refused_with_the_reason(text: str) -> None:
    """Another unit, no figure, a thousands comma, beyond the bounds: nothing is taken by mistake."""
    with pytest.raises(NotUnderstood):
        as_typed(BY_ID["wheels.across"], text)


def test_it_is_left_and_taken_up_again_anywhere() -> None:
    """Typed line by line, with the answers written out and read in again after each, it comes to the same profile."""
    course = course_from({})
    while course.question is not None:
        given = SLOW.get(course.question.id, "")
        course = take(course, str(given), TODAY)
        assert not course.said
        kept = tomllib.loads(answers_text(course.answers))
        course = course_from(answers_of(kept, "kept", "2027-01-01"))
    whole = answers_of(SLOW, "answers", TODAY, defaults=True)
    assert profile_text(keys_of(course.answers)) == profile_text(keys_of(whole))


def test_back_forgets_what_followed() -> None:
    """After going back to how the speed is measured, the questions of the other way are asked."""
    course = course_from({})
    for text in ("hall", "", "", "", "57", "video"):
        course = take(course, text, TODAY)
    assert course.question is BY_ID["wheels.fps"]
    course = take(course, "back", TODAY)
    assert course.question is BY_ID["wheels.speed_way"]
    assert take(course, "tachometer", TODAY).question is BY_ID["wheels.tachometer"]
    assert take(course, "quit", TODAY).left


def test_every_question_says_how_and_every_topic_names_what_there_is() -> None:
    """Each question that wants a reading tells how to take it; topics name questions and keys that exist."""
    assert all(question.how for question in QUESTIONS if question.kind == "number")
    for alike in (True, False):
        for topic in topics_of(made(), alike):
            assert set(topic.questions) <= BY_ID.keys()
            assert all(has_key(Machine, path) for path in topic.keys + topic.follow)


def test_new_writes_and_show_lists(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """`profile new --answers` writes profile and answers; a profile that is there already is not replaced."""
    file, answers = tmp_path / "mine.toml", tmp_path / "list.toml"
    answers.write_text("\n".join(f'"{id}" = {value!r}'.replace("'", '"') for id, value in SLOW.items()))
    assert main(["profile", "new", str(file), "--answers", str(answers)]) == 0
    assert (tmp_path / "mine.answers.toml").exists()
    assert main(["profile", "show", str(file)]) == 0
    assert "wheels.high_rpm = 3000 +- 31.25: measured (20 turns in 96 frames" in capsys.readouterr().out
    assert main(["profile", "new", str(file), "--answers", str(answers)]) == 2
    assert "improve" in capsys.readouterr().err


def test_improve_changes_its_keys_and_leaves_the_rest(tmp_path: Path) -> None:
    """A hand-written profile keeps its comments; the new value and its mark are in place, and nothing else moved."""
    shipped = next(Path(__file__).parents[2].rglob("kit-build.toml"))
    file, answers = tmp_path / "kit.toml", tmp_path / "new.toml"
    file.write_text(shipped.read_text())
    answers.write_text('"opening.height" = "26.5 +- 0.3"')
    assert main(["profile", "improve", str(file), "height", "--answers", str(answers)]) == 0
    before, after = shipped.read_text().splitlines(), file.read_text().splitlines()
    assert [line for line in before if line not in after] == ["height_m = 0.25"]
    machine = load_machine(str(file))
    assert machine.opening.height_m == 0.265
    assert machine.known["opening.height_m"].plus_minus == 0.003
    answers.write_text("wheels.speed_way = 'tachometer'\nwheels.tachometer = 3150")
    assert main(["profile", "improve", str(file), "full-speed", "--answers", str(answers)]) == 0
    machine = load_machine(str(file))
    assert (machine.top.highest_rpm, machine.known["wheels.high_rpm"].basis) == (3150, "measured")


def test_a_mark_for_a_key_that_is_none_is_refused() -> None:
    """A misspelt path in [known] would be a value whose basis nobody sees."""
    text = profile_text(keys_of(answers_of(SLOW, "answers", TODAY, defaults=True)))
    with pytest.raises(InvalidFile, match=r"wheels\.diametre_mm"):
        validate(Machine, tomllib.loads(text + '"wheels.diametre_mm" = { basis = "guessed" }\n'), "profile")
