"""No second place for one fact: a changed row changes everything that is made of it."""

import dataclasses

import pytest

from drillfeed.clients.completion import completions
from drillfeed.protocol.commands import COMMANDS, Argument, Caller, check_role, check_state, parse
from drillfeed.protocol.errors import Refused
from drillfeed.protocol.help_text import help_lines
from drillfeed.protocol.write_abnf import grammar
from drillfeed.protocol.write_docs import document

CHANGED = dataclasses.replace(
    COMMANDS["balls"],
    verb="refill",
    text_id="command.cautions",
    who=frozenset({"coach"}),
    states=frozenset({"RESTING"}),
    arguments=(
        Argument("count", "integer", "argument.mark-count", 1, 99, "balls"),
        Argument("colour", "choice", "argument.balls", choices=("white", "orange"), optional=True, keyed=True),
    ),
)
TABLE = {**{verb: row for verb, row in COMMANDS.items() if verb != "balls"}, "refill": CHANGED}


def test_document_follows_the_row() -> None:
    """The document tells the new verb, its arguments, its roles and its states, and the old verb nowhere."""
    text = document(TABLE)
    assert "`refill COUNT [colour white|orange]`: acknowledge the cautions; once, before the first arm." in text
    assert "| refill |  |  | yes |  |" in text
    assert "### balls" not in text
    (resting,) = [line for line in text.splitlines() if line.startswith("| RESTING |")]
    (idle,) = [line for line in text.splitlines() if line.startswith("| IDLE |")]
    assert "refill" in resting and "refill" not in idle


def test_help_follows_the_row() -> None:
    """So does `help`, in its list and in full."""
    assert any(
        line.startswith("refill COUNT") and "acknowledge the cautions" in line for line in help_lines(None, TABLE)
    )
    assert "open to: coach" in help_lines("refill", TABLE)


def test_completion_follows_the_row() -> None:
    """So does completion: verb, keyword and choice."""
    assert [offer.text for offer in completions("ref", {}, TABLE)] == ["refill"]
    assert [offer.text for offer in completions("refill 9 ", {}, TABLE)] == ["colour"]
    assert [offer.text for offer in completions("refill 9 colour ", {}, TABLE)] == ["white", "orange"]
    assert completions("balls", {}, TABLE) == []


def test_permissions_follow_the_row() -> None:
    """So do parser, role and state."""
    command = parse("refill 9 colour orange", TABLE)
    check_role(command, Caller("coach", "", ""), TABLE)
    check_state(command, "RESTING", TABLE)
    with pytest.raises(Refused, match="one of: coach"):
        check_role(command, Caller("owner", "", ""), TABLE)
    with pytest.raises(Refused, match="expected RESTING"):
        check_state(command, "IDLE", TABLE)


def test_grammar_follows_the_row() -> None:
    """So does the grammar."""
    assert 'refill-colour = "colour" 1*SP ( "white" / "orange" )' in grammar(TABLE)
    assert "balls-line" not in grammar(TABLE)
