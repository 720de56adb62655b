"""Keys for daemons elsewhere: kept, shown to the right one only, forgotten."""

from pathlib import Path

import pytest

from drillfeed.clients.find import read_address
from drillfeed.clients.keys import keep_key, kept_key, keys_file
from drillfeed.clients.lines import Client
from drillfeed.daemon.cli import main
from tests.shell.fake_desk import FakeDesk, serving


def test_a_key_is_kept_for_one_daemon_and_its_owner(tmp_path: Path) -> None:
    """A key comes back for its own address only, from a file nobody else may read; a broken file holds none."""
    environ = {"XDG_STATE_HOME": str(tmp_path)}
    here, there = read_address("192.0.2.1:7340"), read_address("192.0.2.2:7340")
    keep_key(here, "3f2a.secret", environ)
    assert (kept_key(here, environ), kept_key(there, environ)) == ("3f2a.secret", None)
    assert kept_key(read_address("/run/x.sock"), environ) is None
    assert keys_file(environ).stat().st_mode & 0o777 == 0o600
    keep_key(here, None, environ)
    assert kept_key(here, environ) is None
    keys_file(environ).write_text("[1]")
    assert kept_key(here, environ) is None


def test_a_paired_terminal_is_the_coach_from_then_on(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """`drillfeed pair CODE` keeps a key; the client shows it; after --forget they are not the coach any more."""
    monkeypatch.setenv("XDG_STATE_HOME", str(tmp_path))
    desk = FakeDesk(state="ARMED")
    with serving(desk) as to:
        with Client.find(to) as local:
            code = local.invite("coach").data[0].removeprefix("code ")
        assert main(["pair", "000000" if code != "000000" else "000001", "--to", to]) == 1
        assert main(["pair", code, "--to", to]) == 0
        assert "you are the coach" in capsys.readouterr().out
        with Client.find(to) as coach:
            assert coach.offer().ok and not coach.start(3).ok

        assert main(["pair", "--forget", "--to", to]) == 0
        with Client.find(to) as local:
            assert not local.offer().ok
    assert {caller.role for _, caller in desk.commands} == {"coach"}


@pytest.mark.parametrize("arguments", [["pair"], ["pair", "123456", "--forget"], ["pair", "123456", "--to", "nowhere"]])
def test_wrong_arguments_are_told_apart(arguments: list[str]) -> None:
    """Neither, both, or no address: exit code 2."""
    assert main(arguments) == 2
