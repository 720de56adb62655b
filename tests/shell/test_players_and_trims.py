"""Players and trims: what is kept, what is refused, and what outlives the daemon."""

from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import pytest

from drillfeed.daemon.drills.players import RIGHT_HANDED
from drillfeed.daemon.drills.players import Player as AtTable
from drillfeed.daemon.drills.profiles import HOUSE_PROFILES
from drillfeed.daemon.journal.limits import Limits
from drillfeed.daemon.journal.writer import Journal
from drillfeed.daemon.library.loading import load_balls, load_machine
from drillfeed.daemon.planning.setting import flight_for, setting_for
from drillfeed.daemon.shell.practice import Practice
from drillfeed.daemon.shell.trims import trims_file, with_kept_trims
from drillfeed.daemon.validation import InvalidFile
from drillfeed.protocol.commands import parse
from drillfeed.protocol.errors import Refused
from drillfeed.protocol.spec import Command

BALLS = load_balls()
CLUB = load_machine("club-build")


@pytest.fixture
def practice(tmp_path: Path) -> Iterator[Practice]:
    """A practice with its journal running."""
    journal = Journal(tmp_path / "journal.sqlite", "club-build", "run")
    journal.start()
    yield Practice(CLUB, tmp_path, journal, Limits())
    journal.end()
    journal.join(10.0)


def give(practice: Practice, command: Command) -> object:
    """Give a command as the desk does, but for what the engine says to it."""
    if command.verb == "trim":
        return practice.trim(command, BALLS)
    if command.values.get("action") == "choose":
        return practice.take(practice.to_choose(command))
    return practice.players(command)


def refused(practice: Practice, line: str) -> str:
    """Give a line that must be refused and return the name of its code."""
    command = parse(line)
    with pytest.raises(Refused) as caught:
        give(practice, command)
    return caught.value.code.name


def test_player_is_added_chosen_changed_and_nobody_again(practice: Practice) -> None:
    """Adding a name again changes what is said; limits stay as they were chosen until the player is chosen again."""
    practice.players(parse("players add left-hander hand left level junior"))
    give(practice, parse("players choose LEFT-hander"))
    assert practice.players(parse("players")).data == ("left-hander: left-handed, junior, plays",)
    practice.players(parse("players add left-hander level club elbow 8"))
    assert practice.at_the_table == AtTable("left", 12.0, HOUSE_PROFILES.of("junior"))
    elbow = "elbow 8 cm towards the forehand"
    (line,) = practice.players(parse("players")).data
    assert line == f"left-hander: left-handed, club, {elbow}, plays as chosen: left-handed, junior"
    give(practice, parse("players choose left-hander"))
    assert practice.at_the_table == AtTable("left", 8.0, HOUSE_PROFILES.of("club"))
    assert practice.players(parse("players")).data == (f"left-hander: left-handed, club, {elbow}, plays",)
    give(practice, parse("players choose"))
    assert practice.at_the_table == RIGHT_HANDED
    assert "nobody in particular" in practice.players(parse("players")).text


@pytest.mark.parametrize(
    ("line", "code"),
    [
        ("players choose nobody", "unknown-name"),
        ("players add", "bad-argument"),
        ("players hand left", "bad-argument"),
        ("players choose left-hander level club", "bad-argument"),
        ("players choose left-hander elbow 8", "bad-argument"),
        ("players elbow 8", "bad-argument"),
        ("players list left-hander", "bad-argument"),
        (f"players add {'x' * 41}", "bad-argument"),
        ("trim light-push left 4", "not-possible"),
        ("trim light-push off 4", "bad-argument"),
        ("trim light-push long", "bad-argument"),
    ],
)
def test_words_that_make_no_sense_are_refused_and_change_nothing(practice: Practice, line: str, code: str) -> None:
    """Each refusal has a code of the list; afterwards nobody plays and nothing is trimmed."""
    assert refused(practice, line) == code
    assert practice.player is None and practice.machine == CLUB
    assert not trims_file(practice.folder, "club-build").exists()


def test_trims_add_up_and_move_the_landing_by_so_much(practice: Practice) -> None:
    """Eight longer and three shorter is five longer, in the plan and by the model; off forgets it."""
    practice.trim(parse("trim light-push long 8"), BALLS)
    practice.trim(parse("trim light-push short 3"), BALLS)
    ball = BALLS["light-push"]
    before, after = flight_for(ball, CLUB).depth_m, flight_for(ball, practice.machine).depth_m
    assert before is not None and after is not None
    # The tilt is kept to a thousandth of a degree, 0.1 mm on the table.
    assert after - before == pytest.approx(0.05, abs=1e-3)
    assert setting_for(ball, practice.machine).top_rpm == setting_for(ball, CLUB).top_rpm
    practice.trim(parse("trim light-push off"), BALLS)
    assert setting_for(ball, practice.machine) == setting_for(ball, CLUB)


def test_trim_aside_adds_up_where_the_machine_pans(practice: Practice) -> None:
    """Ten left and four right is six left: kept beside what is longer, told, and pan alone turns for it."""
    practice.machine = pan = load_machine("hall-pan")
    practice.trim(parse("trim light-push long 5"), BALLS)
    longer = setting_for(BALLS["light-push"], practice.machine)
    practice.trim(parse("trim light-push left 10"), BALLS)
    practice.trim(parse("trim light-push right 4"), BALLS)
    told = practice.trim(parse("trim light-push"), BALLS).text
    assert told == "light-push lands 5 cm longer and 6 cm further to the thrower's left on hall-pan"
    turned = setting_for(BALLS["light-push"], with_kept_trims(practice.folder, pan))
    assert turned.pan_deg is not None and turned.pan_deg > 1.0
    assert replace(turned, pan_deg=0.0) == longer
    assert refused(practice, "trim light-push left 35") == "bounds"
    practice.trim(parse("trim light-push off"), BALLS)
    assert setting_for(BALLS["light-push"], practice.machine) == setting_for(BALLS["light-push"], pan)


def test_trims_outlive_the_daemon_for_their_machine_alone(practice: Practice) -> None:
    """What was trimmed yesterday is trimmed today, on this machine and on no other."""
    practice.trim(parse("trim heavy-push short 6"), BALLS)
    again = with_kept_trims(practice.folder, CLUB)
    assert again.trims.of("heavy-push").long_cm == -6.0
    kit = load_machine("kit-build")
    assert with_kept_trims(practice.folder, kit) is kit


def test_trim_is_bounded_in_all(practice: Practice) -> None:
    """No more than 40 cm in all, however it is added up."""
    practice.trim(parse("trim light-push short 30"), BALLS)
    assert refused(practice, "trim light-push short 11") == "bounds"
    assert practice.machine.trims.of("light-push").long_cm == -30.0


def test_broken_trim_file_is_named(practice: Practice) -> None:
    """A trim file that cannot be read is a mistake with its file and key, not a guess."""
    trims_file(practice.folder, "club-build").write_text("[[trim]]\nball = 'light-push'\nlong_cm = 999\n", "utf-8")
    with pytest.raises(InvalidFile, match="long_cm"):
        with_kept_trims(practice.folder, CLUB)


def test_trim_that_cannot_be_kept_is_refused_and_not_used(practice: Practice) -> None:
    """Where the state folder cannot be written, the aim stays as it was."""
    trims_file(practice.folder, "club-build").with_suffix(".new").mkdir()
    assert refused(practice, "trim light-push long 8") == "not-recorded"
    assert practice.machine == CLUB
