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


def test_the_overview_groups_every_sub_command_once_and_fits_80_columns(capsys: pytest.CaptureFixture[str]) -> None:
    """`drillfeed --help` names each sub-command in one group; no line is wider than a usual terminal."""
    assert main(["--help"]) == 0
    lines = capsys.readouterr().out.splitlines()
    named = [line.split()[0] for line in lines[lines.index("to practise:") :] if line.startswith("  ")]
    assert sorted(named) == sorted(SUBCOMMANDS)
    assert max(map(len, lines)) <= 80, max(lines, key=len)
