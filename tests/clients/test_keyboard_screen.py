"""The keyboard client: keys and screen, without a terminal."""

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from drillfeed.clients.keyboard import KEYS, key_text, keys_of, press, render
from drillfeed.protocol.commands import COMMANDS, STATES, Command, check_state
from drillfeed.protocol.status import BallInfo, Counts, Snapshot

LONG_AGO = 1e9


def at(state: str, **more: object) -> Snapshot:
    fields: dict[str, object] = {"state": state, "since_s": 2.0, "stop_count": 4, "feed": "closed"}
    fields |= {
        "machine": "club-build",
        "offer": {"number": 2, "what": "to start", "by": "coach 3f2a", "left_s": 43.0},
        **more,
    }
    return Snapshot.model_validate(fields)


@pytest.mark.parametrize("state", STATES)
@pytest.mark.parametrize("key", ["s", "S", "\x18"])
def test_stop_key_stops_in_every_state_held_or_not_connected_or_not(state: str, key: str) -> None:
    """The stop key means stop whatever else is so."""
    for snapshot in (at(state), None):
        for since_s in (0.0, LONG_AGO):
            assert press(key, snapshot, since_s, LONG_AGO).stop


@pytest.mark.parametrize("state", STATES)
def test_space_resumes_only_from_a_fresh_pause_and_pauses_otherwise(state: str) -> None:
    """Space pauses at once in every state; only in PAUSED a fresh press, with fresh news, resumes."""
    fresh = press(" ", at(state), LONG_AGO, 0.1)
    assert fresh.command == Command("resume" if state == "PAUSED" else "pause", {})
    held = press(" ", at(state), 0.03, 0.1)
    assert held.command == (None if state == "PAUSED" else Command("pause", {}))
    assert press(" ", at(state), LONG_AGO, 60.0).command == Command("pause", {})


def test_start_quotes_the_count_that_is_shown_and_not_an_old_one() -> None:
    """The start key sends the stop count of the screen, and nothing when the screen is out of date."""
    assert press("g", at("ARMED"), LONG_AGO, 0.1).command == Command("start", {"stop_count": 4})
    assert press("g", at("ARMED"), LONG_AGO, 5.0).command is None
    assert press("g", None, LONG_AGO, 0.0).command is None


def test_confirm_quotes_the_offer_that_is_shown_and_nothing_where_there_is_none() -> None:
    """The confirm key sends the number of the screen; with no offer, or an old screen, it sends nothing."""
    assert press("y", at("ARMED"), LONG_AGO, 0.1).command == Command("confirm", {"number": 2})
    assert press("y", at("ARMED"), LONG_AGO, 5.0).command is None
    assert press("y", at("ARMED", offer=None), LONG_AGO, 0.1).why_not == "nothing is offered"
    assert "confirm" not in key_text(at("ARMED", offer=None))
    assert "offer      coach 3f2a offers to start, 43 s left: confirm 2" in render(at("ARMED"), 80)


@pytest.mark.parametrize("key", [key for key, verb in KEYS.items() if verb != "stop"])
def test_key_that_is_held_down_acts_once(key: str) -> None:
    """The repeats of a held key set nothing going."""
    assert press(key, at("ARMED"), LONG_AGO, 0.1).command is not None
    assert press(key, at("ARMED"), 0.03, 0.1) == press("?", at("ARMED"), 0.03, 0.1)


def test_keys_are_verbs_of_the_table_and_shown_where_they_are_possible() -> None:
    """Each key's verb is in the table; the list of keys shows it in the states where the table allows it."""
    for key, verb in KEYS.items():
        assert verb in COMMANDS
        for state in STATES:
            shown = f"{key} {verb}" in key_text(at(state))
            if verb == "stop" or state in COMMANDS[verb].states:
                check_state(Command(verb, {}), state)
                assert shown
            else:
                assert not shown


@pytest.mark.parametrize(
    ("typed", "keys", "kept"),
    [
        ("a", ["a"], ""),
        ("\x1b[A", [], ""),
        ("\x1b[D\x1b[C", [], ""),
        ("\x1bOA ", [" "], ""),
        ("\x1b[1;5Cs", ["s"], ""),
        ("\x1b", [], "\x1b"),
        ("\x1b[", [], "\x1b["),
        ("aaaaaaaa", ["a"] * 8, ""),
        ("arm and go", [], ""),
        ("go to the hall, stop", ["s"], ""),
        ("\x18", ["\x18"], ""),
    ],
)
def test_arrow_keys_and_pasted_text_set_nothing_going(typed: str, keys: list[str], kept: str) -> None:
    """An arrow key is no letter of ours, and of pasted text only a stop counts."""
    assert keys_of(typed) == (keys, kept)


def test_arrow_key_in_two_parts_is_still_dropped() -> None:
    """A sequence cut in two by the line does not turn into letters."""
    keys, kept = keys_of("\x1b")
    assert keys == []
    assert keys_of("[A", kept) == ([], "")
    keys, kept = keys_of("\x1b[")
    assert keys_of("Cs", kept) == (["s"], "")


snapshots = st.builds(
    at,
    st.sampled_from(STATES),
    reason=st.one_of(st.none(), st.text("ab c", max_size=200)),
    hint=st.one_of(st.none(), st.text("ab c", max_size=200)),
    countdown_s=st.one_of(st.none(), st.floats(0, 60)),
    rest_waits=st.booleans(),
    set=st.one_of(st.none(), st.just(2)),
    set_done=st.one_of(st.none(), st.just(3)),
    hopper=st.one_of(st.none(), st.integers(0, 2_000)),
    last_ball=st.one_of(st.none(), st.just(BallInfo(n=3, ball="deep chop", set=2, result="fed", spin_revps=-44.0))),
    counts=st.builds(Counts, commanded=st.integers(0, 99_999), seen=st.one_of(st.none(), st.integers(0, 99_999))),
    faults=st.lists(st.text("ab c", max_size=60), max_size=3),
)


@settings(deadline=None)
@given(snapshots, st.integers(0, 300), st.text("ab c", max_size=300), st.floats(0, 100))
def test_screen_fits_its_width_and_shows_state_keys_and_stop(
    snapshot: Snapshot, width: int, message: str, age_s: float
) -> None:
    """From 40 to 120 columns nothing is wider than the screen, the state comes first, and s stop is shown."""
    lines = render(snapshot, width, message, age_s)
    assert max(map(len, lines)) <= max(40, min(120, width))
    assert lines[0].startswith(snapshot.state)
    assert "s stop" in "\n".join(lines)
    assert ("NO NEWS" in "\n".join(lines)) == (age_s > 2.0)
    assert "\x1b" not in "".join(lines)


def test_screen_shows_countdown_balls_and_counts_blank_where_unknown() -> None:
    """What is not seen or entered is blank, not 0."""
    lines = render(
        at(
            "SPINUP",
            countdown_s=3.24,
            last_ball=BallInfo(n=3, ball="deep chop", set=1, result="fed"),
            next_ball=BallInfo(n=4, ball="flat block", set=1, leaves_in_s=1.2),
            counts=Counts(commanded=3),
            hopper=45,
        ),
        80,
    )
    text = "\n".join(lines)
    assert "first ball in 3.2 s" in text
    assert "last ball  3 deep chop, fed" in text
    assert "next ball  4 flat block, in 1.2 s" in text
    assert "commanded 3     seen       made       refused 0     skipped 0     hopper 45" in text


def test_screen_without_a_connection_says_so_and_shows_no_old_state() -> None:
    """A lost connection is the first line."""
    lines = render(None, 60, "the connection is lost")
    assert lines[0] == "NOT CONNECTED"
    assert "the connection is lost" in lines
