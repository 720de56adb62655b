"""An old name of a command, an option or a key of a file is refused with its new name, and never obeyed."""

from pathlib import Path

import pytest

from drillfeed.daemon.cli import main
from drillfeed.daemon.library.loading import load_machine
from drillfeed.daemon.validation import RENAMED_KEYS, InvalidFile
from drillfeed.protocol.commands import COMMANDS, parse
from drillfeed.protocol.errors import Refused
from drillfeed.protocol.help_text import help_lines
from drillfeed.protocol.retired import RETIRED_COMMANDS, RETIRED_OPTIONS

SHIPPED = Path(__file__).parents[2] / "daemon" / "library" / "machines"
KEYS_OF_MACHINES = {"least_share": "min_share", "phase_error_most": "max_phase_error"}


@pytest.mark.parametrize(("old", "new"), RETIRED_COMMANDS.items())
def test_an_old_command_is_refused_with_its_new_name(old: str, new: str) -> None:
    """The new name is a command, and whoever types the old one, or asks for help on it, is told the new one."""
    assert new in COMMANDS and old not in COMMANDS
    for line in (old, old.upper(), f"{old} coach"):
        with pytest.raises(Refused) as refused:
            parse(line)
        assert (refused.value.code.name, refused.value.do) == ("unknown-command", new)
        assert refused.value.what.endswith(f"is called {new} now")
    with pytest.raises(Refused) as refused:
        help_lines(old)
    assert refused.value.do == f"help {new}"


@pytest.mark.parametrize(("place", "new"), RETIRED_OPTIONS.items())
def test_an_old_option_is_refused_with_its_new_name(
    place: tuple[str, str], new: str, capsys: pytest.CaptureFixture[str]
) -> None:
    """Exit 2, the new name on standard error, and nothing is done."""
    subcommand, old = place
    assert main([subcommand, "wheel", old]) == 2
    told = capsys.readouterr()
    assert told.out == "" and f"{old} is called {new} now" in told.err


@pytest.mark.parametrize(("old", "new"), KEYS_OF_MACHINES.items())
def test_an_old_key_of_a_machine_is_refused_with_its_new_name(old: str, new: str, tmp_path: Path) -> None:
    """A profile with an old key isn't used, and each place where it stands is named."""
    assert RENAMED_KEYS[old] == new
    text = (SHIPPED / "kit-build.toml").read_text("utf-8")
    assert f"\n{new} = " in text
    file = tmp_path / "kit-build.toml"
    file.write_text(text.replace(f"\n{new} = ", f"\n{old} = "), "utf-8")
    with pytest.raises(InvalidFile, match=f"this key is called {new} now"):
        load_machine(str(file))
