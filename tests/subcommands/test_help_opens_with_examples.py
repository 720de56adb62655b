"""Every sub-command tells how it is used by examples first."""

import pytest

from drillfeed.daemon.cli import SUBCOMMANDS, main


@pytest.mark.parametrize("name", SUBCOMMANDS)
def test_help_opens_with_examples(name: str, capsys: pytest.CaptureFixture[str]) -> None:
    """`drillfeed SUB --help` ends with status 0 and opens with lines to type, its own among them; then the usage."""
    assert main([name, "--help"]) == 0
    told = capsys.readouterr()
    assert not told.err
    examples, usage = told.out.split("\nusage: ", 1)
    head, *lines = examples.splitlines()
    assert head == "examples:"
    assert any(line.startswith(f"  drillfeed {name}") for line in lines), lines
    assert usage.startswith(f"drillfeed {name} ")
