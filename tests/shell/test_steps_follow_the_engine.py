"""The next steps that refusals name, held against the engine's own table of states."""

from drillfeed.daemon.engine.commands import HANDLERS
from drillfeed.daemon.engine.states import TABLE
from drillfeed.daemon.shell.desk import ANSWERED_HERE
from drillfeed.protocol.commands import COMMANDS, WAYS_ON


def test_every_step_that_is_named_leads_where_the_engine_goes() -> None:
    """A refusal never sends a person along a way that the engine's table does not have."""
    for state, ways in WAYS_ON.items():
        followers = {there for (here, _), there in TABLE.items() if here == state}
        for step, there in ways:
            assert there in followers, (state, step, there, followers)


def test_desk_and_engine_carry_out_what_the_command_table_gives_to_the_desk() -> None:
    """Every row handled by the desk is answered there or by an order of the engine; a stop goes around both tables."""
    desk = {verb for verb, row in COMMANDS.items() if row.handled_by == "desk"}
    assert set(HANDLERS) | set(ANSWERED_HERE) == desk - {"stop"}
    prepared = {"load", "throw", "queue", "easier", "harder", "slower", "faster", "swap", "players"}
    assert set(HANDLERS) & set(ANSWERED_HERE) == prepared
