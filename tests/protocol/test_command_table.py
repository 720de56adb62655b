"""The command table, the parser, and everything that comes from them."""

import dataclasses
import json
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from drillfeed.protocol import write_docs
from drillfeed.protocol.commands import (
    COMMANDS,
    ROLES,
    STATES,
    WAYS_ON,
    Argument,
    Caller,
    Command,
    CommandSpec,
    Role,
    State,
    Value,
    check_role,
    check_state,
    line_of,
    parse,
    steps_to,
    usage,
)
from drillfeed.protocol.errors import CODES, Refused
from drillfeed.protocol.help_text import help_lines

VECTORS = Path(write_docs.__file__).parent / "vectors" / "parse.txt"


def parse_vectors() -> list[tuple[str, str]]:
    rows = [row for row in VECTORS.read_text("utf-8").split("\n") if row and not row.startswith("#")]
    return [(row[1 : row.rindex("| => ")], row[row.rindex("| => ") + 5 :]) for row in rows]


@pytest.mark.parametrize(("line", "wanted"), parse_vectors(), ids=[line for line, _ in parse_vectors()])
def test_conformance_lines_parse_as_the_file_says(line: str, wanted: str) -> None:
    """Every line of the vector file gives the form or the code that stands beside it."""
    try:
        command = parse(line)
        found = f"{command.verb} {json.dumps(dict(command.values), ensure_ascii=False)}"
    except Refused as refused:
        found = f"{refused.code.number} {refused.code.name}"
    assert found == wanted


def test_vectors_hold_every_verb_accepted_and_every_example_parses() -> None:
    """No command is without a conformance line, and the example of its row is a right line."""
    accepted = {wanted.split()[0] for _, wanted in parse_vectors() if not wanted[0].isdigit()}
    assert accepted == set(COMMANDS)
    assert [parse(row.example).verb for row in COMMANDS.values()] == list(COMMANDS)


LETTERS = " \"\\'|=#abzAZ09-_./ÜéπЖ球"


def values_of(argument: Argument) -> st.SearchStrategy[Value]:
    if argument.kind == "integer":
        return st.integers(int(argument.minimum or 0), int(argument.maximum or 0))
    if argument.kind == "number":
        return st.integers(int((argument.minimum or 0) * 10), int((argument.maximum or 0) * 10)).map(
            lambda tenths: tenths / 10
        )
    if argument.kind == "choice":
        return st.sampled_from(argument.choices)
    keywords = [a.name for row in COMMANDS.values() for a in row.arguments if a.keyed]
    return st.text(LETTERS, min_size=1, max_size=60) | st.sampled_from(keywords)


@st.composite
def commands(draw: st.DrawFn) -> Command:
    row = draw(st.sampled_from(list(COMMANDS.values())))
    placed = [a for a in row.arguments if not a.keyed]
    least = sum(not a.optional for a in placed)
    given_ones = placed[: draw(st.integers(least, len(placed)))]
    given_ones += [a for a in row.arguments if a.keyed and (not a.optional or draw(st.booleans()))]
    return Command(row.verb, {a.name: draw(values_of(a)) for a in given_ones})


@settings(deadline=None)
@given(commands())
def test_line_of_a_command_parses_to_it(command: Command) -> None:
    """Writing a command and parsing the line is identity."""
    assert parse(line_of(command)) == command


@settings(deadline=None)
@given(st.text(max_size=80))
def test_any_text_parses_or_is_refused(line: str) -> None:
    """No text makes the parser fail in another way than by a refusal with a code of the list."""
    try:
        assert parse(line).verb in COMMANDS
    except Refused as refused:
        assert refused.code.name in {"unknown-command", "bad-argument"}


def test_line_of_refuses_what_the_table_does_not_have() -> None:
    """A client cannot write a verb, an argument or a value that the table does not know."""
    for command in (
        Command("boost", {}),
        Command("start", {}),
        Command("balls", {"count": -1}),
        Command("arm", {"x": 1}),
    ):
        with pytest.raises(Refused):
            line_of(command)


def test_unknown_verb_names_the_nearest() -> None:
    """A slip of the finger is answered with the verb that was meant."""
    with pytest.raises(Refused, match=r"Next: start\?"):
        parse("strat 4")


TEMPO = CommandSpec(
    "tempo",
    "tempo 35/min",
    frozenset({"player"}),
    frozenset({"PAUSED"}),
    arguments=(Argument("rate", "number", "argument.by", 5, 90, "/min"),),
)


@pytest.mark.parametrize(
    ("line", "wanted"),
    [
        ("tempo 35", 35.0),
        ("tempo 35.5/min", 35.5),
        ("tempo 90", 90.0),
        ("tempo 90.1", None),
        ("tempo 4.9", None),
        ("tempo nan", None),
        ("tempo inf", None),
        ("tempo 35/s", None),
        ("tempo 35.", None),
    ],
)
def test_number_is_read_with_its_own_unit_and_range(line: str, wanted: float | None) -> None:
    """A number may carry the unit of its row, no other, and stays in its range."""
    table = {"tempo": TEMPO}
    if wanted is None:
        with pytest.raises(Refused, match="from 5 to 90 /min"):
            parse(line, table)
    else:
        assert parse(line, table) == Command("tempo", {"rate": wanted})
        assert parse(line_of(Command("tempo", {"rate": wanted}), table), table).values["rate"] == wanted


def test_a_changed_row_changes_parser_help_and_permissions() -> None:
    """One row is the only place: parser, help, usage, role and state follow a change of it."""
    row = dataclasses.replace(
        COMMANDS["arm"],
        text_id="command.resume",
        who=frozenset({"coach"}),
        states=frozenset({"FAULT"}),
        arguments=(Argument("depth", "integer", "argument.by", 1, 9),),
    )
    table = {"arm": row}
    command = parse("arm 5", table)
    assert command == Command("arm", {"depth": 5})
    assert usage(row) in help_lines(None, table)[0] and "go on after a pause" in help_lines(None, table)[0]
    assert "open to: coach" in help_lines("arm", table)
    check_role(command, Caller("coach", "c", "here"), table)
    with pytest.raises(Refused, match="one of: coach"):
        check_role(command, Caller("owner", "o", "here"), table)
    with pytest.raises(Refused, match="expected FAULT"):
        check_state(command, "IDLE", table)


@pytest.mark.parametrize("verb", ["stop", "pause", "status", "help", "watch", "quit"])
def test_seeing_pausing_and_stopping_are_open_to_all_in_every_state(verb: str) -> None:
    """Anyone may see, pause and stop, in any state."""
    for role in ROLES:
        for state in STATES:
            check_role(Command(verb, {}), Caller(role, "", ""))
            check_state(Command(verb, {}), state)


# Written out a second time on purpose: the rule for who may set the machine going, kept apart from the table.
MAY_MOVE: set[Role] = {"player", "owner"}


@pytest.mark.parametrize("verb", ["easier", "harder", "slower", "faster", "swap", "queue"])
def test_who_takes_part_may_change_a_drill_and_nobody_else(verb: str) -> None:
    """Player, coach and owner may ease, harden, swap and queue; a passer-by may not."""
    for role in ("player", "coach", "owner"):
        check_role(Command(verb, {}), Caller(role, "", ""))
    with pytest.raises(Refused, match="not open to the role anyone"):
        check_role(Command(verb, {}), Caller("anyone", "", ""))


@pytest.mark.parametrize("verb", ["load", "arm", "start", "resume", "ready", "skip", "clear", "balls", "crank-at-mark"])
def test_only_player_and_owner_set_the_machine_going(verb: str) -> None:
    """Neither a passer-by nor a coach from afar starts, resumes, arms or clears."""
    for role in ROLES:
        command = Command(verb, {})
        if role in MAY_MOVE:
            check_role(command, Caller(role, "", ""))
        else:
            with pytest.raises(Refused) as caught:
                check_role(command, Caller(role, "", ""))
            assert caught.value.code.name == "not-allowed" and "player, owner" in caught.value.text


@pytest.mark.parametrize("verb", ["setup", "hold", "jog", "feed"])
def test_set_up_is_for_the_owner_at_the_machine_alone(verb: str) -> None:
    """No other role, and no owner from elsewhere, goes into set-up or moves anything in it."""
    check_role(Command(verb, {}), Caller("owner", "owner", "unix socket", here=True))
    for caller in (*(Caller(role, "", "", here=True) for role in ROLES if role != "owner"), Caller("owner", "", "")):
        with pytest.raises(Refused) as caught:
            check_role(Command(verb, {}), caller)
        assert caught.value.code.name == "not-allowed"


@pytest.mark.parametrize(
    ("verb", "states"),
    [
        ("load", "IDLE ARMED"),
        ("arm", "IDLE"),
        ("disarm", "ARMED RESTING PAUSED"),
        ("start", "ARMED"),
        ("resume", "PAUSED"),
        ("ready", "RESTING"),
        ("skip", "FEEDING RESTING PAUSED"),
        ("easier", "IDLE ARMED SPINUP FEEDING RESTING PAUSED"),
        ("harder", "IDLE ARMED SPINUP FEEDING RESTING PAUSED"),
        ("slower", "IDLE ARMED SPINUP FEEDING RESTING PAUSED"),
        ("faster", "IDLE ARMED SPINUP FEEDING RESTING PAUSED"),
        ("swap", "IDLE ARMED SPINUP FEEDING RESTING PAUSED"),
        ("queue", "SPINUP FEEDING RESTING PAUSED"),
        ("clear", "FAULT"),
        ("crank-at-mark", "IDLE ARMED RESTING PAUSED"),
        ("setup", "ARMED SETUP"),
        ("hold", "SETUP"),
        ("jog", "SETUP"),
        ("feed", "SETUP"),
    ],
)
def test_command_is_possible_in_its_states_and_refused_in_all_others(verb: str, states: str) -> None:
    """Each cell of verb and state is as written here; a refusal names the states and the next step."""
    for state in STATES:
        if state in states.split():
            check_state(Command(verb, {}), state)
            continue
        with pytest.raises(Refused) as caught:
            check_state(Command(verb, {}), state)
        assert caught.value.code.name == "wrong-state"
        assert " or ".join(states.split()) in caught.value.text
        assert f"found {state}" in caught.value.text and "Next: " in caught.value.text


@pytest.mark.parametrize(
    ("state", "verb", "step"),
    [
        ("IDLE", "start", "arm"),
        ("FAULT", "start", "clear, then arm"),
        ("OFFLINE", "arm", "connect a motor driver"),
        ("FEEDING", "resume", "pause"),
        ("IDLE", "clear", "status"),
    ],
)
def test_wrong_state_tells_the_next_step(state: State, verb: str, step: str) -> None:
    """The refusal says what to type to get to where the command is possible."""
    with pytest.raises(Refused) as caught:
        check_state(Command(verb, {}), state)
    assert caught.value.text.endswith(f"Next: {step}")


def test_steps_name_only_commands_that_are_possible_there() -> None:
    """Where a step begins with a verb, the table has that verb in that state."""
    for state, ways in WAYS_ON.items():
        for step, _ in ways:
            row = COMMANDS.get(step.split()[0])
            assert row is None or state in row.states, (state, step)
    assert steps_to("IDLE", frozenset({"IDLE"})) == ()


def test_commands_document_is_current() -> None:
    """COMMANDS.md is what the tables give now."""
    assert write_docs.DOCUMENT.read_text("utf-8") == write_docs.document()


def test_document_check_tells_by_its_exit_code(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """`--check` exits 1 on a file that is missing or old and 0 after it was written; it writes nothing itself."""
    monkeypatch.setattr(write_docs, "DOCUMENT", tmp_path / "COMMANDS.md")
    assert write_docs.main(["--check"]) == 1
    assert not (tmp_path / "COMMANDS.md").exists()
    assert write_docs.main([]) == 0
    assert write_docs.main(["--check"]) == 0


def test_document_names_every_command_code_state_and_role() -> None:
    """The document leaves out no command, no code, no state."""
    text = write_docs.document()
    for name in (*COMMANDS, *STATES, *ROLES):
        assert name in text
    for code in CODES.values():
        assert f"| {code.number} | {code.name} |" in text


def test_help_tells_one_line_a_command_and_names_the_nearest() -> None:
    """`help` has a line for each row; help on a slip names the verb that was meant."""
    assert len(help_lines()) == len(COMMANDS)
    assert help_lines("LOAD")[0].startswith("load NAME")
    with pytest.raises(Refused, match="Next: help load"):
        help_lines("laod")
