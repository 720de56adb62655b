"""The status for people."""

import pytest

from drillfeed.protocol.status import BallInfo, Counts, Snapshot
from drillfeed.protocol.status_text import next_step, seconds, status_lines

BARE = Snapshot(state="ARMED", since_s=2.0, stop_count=4, feed="closed", machine="kit-build")


def value(snapshot: Snapshot, name: str) -> str | None:
    for line in status_lines(snapshot):
        if line[:13].strip() == name:
            return line[13:]
    return None


def test_what_is_not_known_is_blank() -> None:
    """Nothing measured, seen or entered is written as nothing, never as 0."""
    for name in (
        "seen leaving",
        "made",
        "hopper",
        "top wheel",
        "tilt",
        "supply",
        "set",
        "tempo",
        "driver",
        "countdown",
    ):
        assert value(BARE, name) == "", name
    assert value(BARE, "commanded") == "0"


def test_first_line_is_state_and_why_second_the_next_step() -> None:
    """A person reads the state, its reason, and what to type."""
    lines = status_lines(BARE.model_copy(update={"reason": "all is ready", "drill": "mixed-spin"}))
    assert lines[0] == "state        ARMED for 2.0 s: all is ready"
    assert lines[1] == "next         start 4"


def test_daemon_s_own_next_step_comes_first() -> None:
    """Where the daemon says what to do, that is shown; else the usual step for the state."""
    assert next_step(BARE.model_copy(update={"next_step": "turn the crank"})) == "turn the crank"
    assert next_step(BARE).startswith("load NAME")
    assert next_step(BARE.model_copy(update={"state": "FAULT"})) == "clear"


def test_balls_sets_tempo_and_counts_are_told() -> None:
    """A running drill shows set, balls, stretched tempo with its reason, and the three counts apart."""
    running = BARE.model_copy(
        update={
            "state": "FEEDING",
            "set": 2,
            "sets": 5,
            "set_balls": 20,
            "set_done": 3,
            "tempo_asked_per_min": 40.0,
            "tempo_per_min": 31.0,
            "tempo_reason": "bottom wheel needs 1.4 s",
            "last_ball": BallInfo(n=3, ball="deep chop", set=2, result="refused", reason="late"),
            "next_ball": BallInfo(n=4, ball="flat block", set=2, leaves_in_s=1.25, speed_mps=8.0, spin_revps=8.0),
            "counts": Counts(commanded=23, seen=22),
            "rest_waits": True,
            "faults": ("supply low", "link late"),
        }
    )
    assert value(running, "set") == "2 of 5, 3 of 20 balls done"
    assert value(running, "tempo") == "31/min (asked 40/min): bottom wheel needs 1.4 s"
    assert value(running, "last ball") == "3 deep chop, refused (late)"
    assert value(running, "next ball") == "4 flat block, in 1.2 s, 8.0 m/s, +8 rev/s"
    bent = BallInfo(n=5, ball="a bend", set=2, speed_mps=7.5, spin_revps=30.0, side_revps=-25.0)
    assert value(running.model_copy(update={"next_ball": bent}), "next ball").endswith("+30 rev/s, side -25")
    assert (value(running, "commanded"), value(running, "seen leaving"), value(running, "made")) == ("23", "22", "")
    assert value(running, "rest") == "until you type ready"
    assert [line for line in status_lines(running) if line.startswith("fault")] == [
        "fault        supply low",
        "fault        link late",
    ]


@pytest.mark.parametrize(
    ("time_s", "text"), [(None, ""), (0.04, "0.0 s"), (9.94, "9.9 s"), (61.0, "61 s"), (600.0, "10 min")]
)
def test_times_are_as_exact_as_they_need_be(time_s: float | None, text: str) -> None:
    """Tenths near zero, then seconds, then minutes."""
    assert seconds(time_s) == text
