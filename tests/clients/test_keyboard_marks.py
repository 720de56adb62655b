"""The keyboard client: marking the last ball, and the figures of the running set."""

import pytest

from drillfeed.clients.keyboard import MARKS, key_text, press, render
from drillfeed.protocol.commands import Command
from drillfeed.protocol.status import Counts, Snapshot

LONG_AGO = 1e9


def feeding(**more: object) -> Snapshot:
    fields = {"state": "FEEDING", "since_s": 2.0, "stop_count": 4, "feed": "open", "machine": "club-build", **more}
    return Snapshot.model_validate(fields)


@pytest.mark.parametrize(("key", "result"), MARKS.items())
def test_plus_and_minus_mark_the_last_ball_once_a_press(key: str, result: str) -> None:
    """One press is one mark, however long the key is held."""
    assert press(key, feeding(), LONG_AGO, 0.1).command == Command("mark", {"result": result})
    assert press(key, feeding(), 0.03, 0.1).command is None


def test_keys_for_marks_are_shown_once_a_ball_has_gone() -> None:
    """Before the first ball there is nothing to mark."""
    assert "+ made" not in key_text(feeding())
    assert "+ made   - missed" in key_text(feeding(counts=Counts(commanded=1)))


@pytest.mark.parametrize("width", [40, 80, 120])
def test_screen_tells_player_tempo_and_what_was_made_of_how_many(width: int) -> None:
    """The whole state is on one screen, narrow and wide; what nobody marked is blank."""
    snapshot = feeding(
        player="left-hander",
        tempo_per_min=36.5,
        tempo_asked_per_min=40.0,
        counts=Counts(commanded=20, made=14, marked=20),
    )
    text = "\n".join(render(snapshot, width))
    for part in ("left-hander", "36.5/min (asked 40/min)", "made 14 of 20", "commanded 20"):
        assert part in text
    assert max(map(len, text.splitlines())) <= width
    assert "of" not in next(line for line in render(feeding(), width) if "made" in line).split()
