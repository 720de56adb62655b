"""STATES.md is the table."""

from drillfeed.daemon.engine import write_states
from drillfeed.daemon.engine.states import TABLE


def test_the_document_is_current() -> None:
    """What STATES.md says is what the table says."""
    assert write_states.main(["--check"]) == 0


def test_every_cell_is_in_the_document() -> None:
    """Each pair of the table has its row."""
    assert write_states.rows().count("\n") == len(TABLE) + 1
