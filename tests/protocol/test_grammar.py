"""commands.abnf against the parser, with an ABNF library that knows nothing of ours."""

import re

import pytest
from abnf import ParseError, Rule
from hypothesis import given, settings
from hypothesis import strategies as st

from drillfeed.protocol import write_abnf
from drillfeed.protocol.commands import COMMANDS, Command, line_of, parse
from drillfeed.protocol.errors import CODES, Refused
from drillfeed.protocol.lines import Reply, format_reply
from tests.protocol.test_command_table import commands, parse_vectors

# What the head of the grammar says that it leaves to the parser, by the parser's own words.
BEYOND_GRAMMAR = re.compile("out of range|given twice|is missing|1 to 255 characters|has no value")


class Grammar(Rule):
    """The rules of commands.abnf."""


Grammar.load_grammar(write_abnf.GRAMMAR.read_text("utf-8").replace("\n", "\r\n"))


def matches(rule: str, text: str) -> bool:
    try:
        Grammar(rule).parse_all(text)
    except ParseError:
        return False
    return True


def test_grammar_is_current() -> None:
    """commands.abnf is what the tables give now."""
    assert write_abnf.GRAMMAR.read_text("utf-8") == write_abnf.grammar()
    assert write_abnf.main(["--check"]) == 0


@pytest.mark.parametrize(("line", "wanted"), parse_vectors(), ids=[line for line, _ in parse_vectors()])
def test_conformance_lines_match_the_grammar_where_they_parse(line: str, wanted: str) -> None:
    """What the parser takes the grammar takes; what the grammar takes in vain is of a kind that its head names."""
    if not wanted[0].isdigit():
        assert matches("line", line)
    elif matches("line", line):
        with pytest.raises(Refused, match=BEYOND_GRAMMAR):
            parse(line)


@settings(deadline=None, max_examples=60)
@given(commands())
def test_written_commands_match_the_grammar(command: Command) -> None:
    """Every line that a client of ours can write is a line of the grammar."""
    assert matches("line", line_of(command))


@settings(deadline=None, max_examples=100)
@given(commands(), st.data())
def test_spoilt_lines_are_refused_by_both_or_for_a_named_reason(command: Command, data: st.DataObject) -> None:
    """A line with one character changed: grammar and parser agree, but for what the grammar's head leaves out."""
    line = line_of(command)
    place = data.draw(st.integers(0, len(line)))
    spoilt = line[:place] + data.draw(st.sampled_from([" ", '"', "x", "7", ".", "é", ""])) + line[place + 1 :]
    if not spoilt.strip(" "):
        return
    try:
        parse(spoilt)
        parsed = True
    except Refused as refused:
        parsed = False
        why = refused.text
    if parsed:
        assert matches("line", spoilt)
    elif matches("line", spoilt):
        assert BEYOND_GRAMMAR.search(why)


@pytest.mark.parametrize("verb", COMMANDS)
def test_replies_match_the_grammar_of_replies(verb: str) -> None:
    """What the daemon writes is what the grammar says it writes."""
    for reply in (Reply(True, verb, None, "all well", ("a  b", "", "ü")), Reply(True, verb)):
        assert matches("reply", format_reply(reply).decode())
    for code in CODES.values():
        assert matches("reply", format_reply(Reply(False, verb, code, "no; expected yes")).decode())
