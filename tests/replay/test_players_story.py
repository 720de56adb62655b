"""The player's story, hands on the bat: what the script `hands-free` must hold, whatever else changes."""

import contextlib
import re
from pathlib import Path

import pytest

from drillfeed.daemon.drills.drawing import easiest
from drillfeed.daemon.journal import reading
from drillfeed.daemon.journal.schema import open_to_read
from drillfeed.daemon.library.loading import load_balls, load_drill, load_machine
from tests.support.stage import play

SCRIPT = Path(__file__).parent / "scripts" / "hands-free.txt"
LATENCY_S = load_machine("club-build").feeder.latency_s


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return tmp_path_factory.mktemp("story")


@pytest.fixture(scope="module")
def told(folder: Path) -> str:
    """Play the story once."""
    return play(SCRIPT.read_text("utf-8"), folder)


def when(told: str, what: str, after_s: float = 0.0) -> float:
    """Return the first moment after `after_s` at which a line with this text stands."""
    moments = [float(at) for at, text in re.findall(r"^>? *([\d.]+) (.*)$", told, re.MULTILINE) if what in text]
    return next(at_s for at_s in moments if at_s > after_s)


def fed(told: str) -> list[tuple[float, int, str]]:
    """Return when which ball was fed."""
    return [(float(at), int(n), ball) for at, n, ball in re.findall(r"^  ([\d.]+) ! ball (\d+) (\S+) fed$", told, re.M)]


def test_a_short_press_starts_when_it_is_let_go_and_the_first_ball_leaves_ten_seconds_later(told: str) -> None:
    """The countdown of ten seconds ends with the first ball leaving, to the tick."""
    start_s = when(told, "foot: start 0")
    assert 5.15 < start_s < 5.20
    assert fed(told)[0][0] + LATENCY_S == pytest.approx(start_s + 10.0, abs=0.03)


def test_the_first_ball_of_each_set_is_its_easiest(told: str) -> None:
    """Both sets begin with the easiest ball of the kinds that they throw."""
    balls, drill = load_balls(None), load_drill("mixed-spin", None)
    first = [ball for _, n, ball in fed(told) if n in (1, 21)]
    assert first == [easiest(part.sequence.weights, balls) for part in drill.set]  # type: ignore[union-attr]


def test_pressing_pauses_at_once_and_the_next_press_goes_on_with_five_seconds_of_countdown(told: str) -> None:
    """The pause comes with the key going down; nothing is fed until the countdown after the resume is over."""
    paused_s, resumed_s = when(told, "foot: pause"), when(told, "foot: resume")
    assert paused_s == 19.50 and 25.15 < resumed_s < 25.20
    assert not [at_s for at_s, _, _ in fed(told) if paused_s + LATENCY_S < at_s < resumed_s]
    on = next(at_s for at_s, _, _ in fed(told) if at_s > resumed_s)
    assert on + LATENCY_S == pytest.approx(resumed_s + 5.0, abs=0.03)


def test_easier_holds_in_the_set_and_harder_only_after_it(told: str) -> None:
    """From the ball that easier named on the tempo is 31 a minute to the end of the set, then 36 again."""
    moments = {n: at_s for at_s, n, _ in fed(told)}
    (eased,) = re.findall(r"done easier easier from ball (\d+)", told)
    gaps = [round(moments[n + 1] - moments[n], 2) for n in range(int(eased) - 1, 20)]
    assert gaps[:-1] == pytest.approx([60 / 31] * (len(gaps) - 1), abs=0.02)
    assert "31/min" in told and when(told, "harder from ball 21") == when(told, "RESTING")
    assert moments[22] - moments[21] == pytest.approx(60 / 36, abs=0.02)


def test_the_coach_starts_nothing_and_what_is_offered_waits_for_the_player(told: str) -> None:
    """The coach's start is refused; the offer moves nothing until the player confirms the number that is shown."""
    assert "no 14 not-allowed start is not open to the role coach" in told
    offered_s, confirmed_s = when(told, "done offer"), when(told, "done confirm")
    assert "no 39 no-offer offer 2 cannot be confirmed" in told
    assert not [at_s for at_s, _, _ in fed(told) if offered_s - 5 < at_s < confirmed_s]
    first = next(at_s for at_s, n, _ in fed(told) if n == 21)
    assert first + LATENCY_S == pytest.approx(confirmed_s + 10.0, abs=0.03)


def test_the_hopper_warns_and_holding_the_foot_stops_within_a_tick_of_its_time(told: str) -> None:
    """Fifteen balls left are told once; 0.8 s after key-down it is a stop, and a later press starts nothing."""
    assert told.count("[hopper-low]") == 1
    stopped_s = when(told, "foot: stop")
    assert stopped_s == pytest.approx(84.20 + 0.8, abs=0.02)
    assert not [at_s for at_s, _, _ in fed(told) if at_s > when(told, "foot: pause", 80.0)]
    assert "foot: nothing to start in IDLE" in told


def test_the_journal_tells_the_story_afterwards(told: str, folder: Path) -> None:
    """Balls, made-count, changes and every command, with who gave it and what was refused."""
    with contextlib.closing(open_to_read(folder / "journal.sqlite")) as connection:
        found = reading.session(connection, 1)
    assert [(throw["n"], throw["ball"]) for throw in found.throws] == [(n, ball) for _, n, ball in fed(told)]
    assert (found.sets[0].made, found.sets[0].out_of) == (15, 20)
    given = [(command["caller"], command["line"], command["code_name"]) for command in found.commands]
    for row in (
        ("the foot switch", "start 0", None),
        ("the foot switch", "pause", None),
        ("the foot switch", "resume", None),
        ("coach", "easier", None),
        ("coach", "harder", None),
        ("coach", "start 0", "not-allowed"),
        ("coach", "offer", None),
        ("player", "confirm 2", "no-offer"),
        ("player", "confirm 1", None),
        ("the foot switch", "stop", None),
    ):
        assert row in given
