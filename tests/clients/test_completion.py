"""Completion: what may be typed next, from the command table and from names that are known."""

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from drillfeed.clients.completion import Known, completions
from drillfeed.protocol.commands import COMMANDS, Argument, parse
from drillfeed.protocol.errors import Refused

KNOWN: Known = {
    "drills": ("lift-the-push", "mixed-spin", "my own.toml"),
    "balls": ("heavy-push", "light-push"),
    "players": ("left-hander", "the tall one"),
    "stop-count": ("4",),
}


@pytest.mark.parametrize(
    ("before", "wanted"),
    [
        ("sta", ["start", "status"]),
        ("STA", ["start", "status"]),
        ("start ", ["4"]),
        ("start 4 ", []),
        ("throw h", ["heavy-push"]),
        ("throw heavy-push ", ["4"]),
        ("load m", ["mixed-spin"]),
        ('load "', ['"my own.toml"']),
        ("load mixed-spin se", ["seed"]),
        ("load mixed-spin seed ", []),
        ("load mixed-spin seed 7 se", []),
        ("list ", ["drills", "balls", "machines"]),
        ("mark made ", ["of", "set", "ball"]),
        ("mark made 14 o", ["of"]),
        ("players choose ", ["left-hander", '"the tall one"', "hand", "level", "elbow"]),
        ("players hand ", ["right", "left"]),
        ("swap light-push to h", ["heavy-push"]),
        ("help tri", ["trim"]),
        ("stop n", []),
        ("strat ", []),
        ("status json", []),
    ],
)
def test_offers_what_the_parser_would_take(before: str, wanted: list[str]) -> None:
    """Verbs, then what the row of the verb allows at this place."""
    assert [offer.text for offer in completions(before, KNOWN)] == wanted


@settings(deadline=None)
@given(st.text("abelmstr \"'x04", max_size=30))
def test_any_text_is_completed_by_its_own_continuation_or_not_at_all(before: str) -> None:
    """A completion replaces the half word before the cursor by one that begins like it."""
    for offer in completions(before, KNOWN):
        half = before[len(before) - offer.instead_of :]
        assert offer.text.lower().startswith(half.lower())


def example_of(argument: Argument) -> str:
    return {"integer": "3", "number": "3"}.get(argument.kind, "x")


@pytest.mark.parametrize("verb", COMMANDS)
def test_following_completion_alone_gives_lines_that_parse(verb: str) -> None:
    """From the bare verb on, taking the first offer each time (or any figure) ends in a line that is right."""
    line = verb
    for argument in COMMANDS[verb].arguments:
        if argument.optional:
            break
        offers = completions(f"{line} ", KNOWN)
        if argument.keyed:
            assert argument.name in [offer.text for offer in offers]
            line, offers = f"{line} {argument.name}", completions(f"{line} {argument.name} ", KNOWN)
        line += f" {offers[0].text if offers else example_of(argument)}"
    try:
        assert parse(line).verb == verb
    except Refused as refused:
        pytest.fail(f"{line}: {refused.text}")
