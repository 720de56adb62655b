"""A real daemon, killed in the middle of a practice: the journal tells what had happened."""

import contextlib
import json
import time
from pathlib import Path

import pytest

from drillfeed.daemon.cli import main
from drillfeed.daemon.demo.processes import running_pair
from drillfeed.daemon.demo.real import until_ready
from drillfeed.daemon.journal import reading
from drillfeed.daemon.journal.schema import open_to_read
from drillfeed.daemon.journal.writer import BATCH_S

PATIENCE_S = 30.0
COMMIT_S = 5 * BATCH_S  # a batch, and the commit on a machine that is busy with other tests


def test_killed_daemon_leaves_ball_mark_and_commands_in_its_journal(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    """One ball thrown and marked, one start refused, then SIGKILL: `drillfeed history` tells all of it."""
    monkeypatch.setenv("XDG_RUNTIME_DIR", str(tmp_path))
    with running_pair("club-build", seed=1, folder=tmp_path) as pair, pair.client() as client:
        until_ready(client)
        client.watch("json")
        client.players("add", "left-hander", "left")
        client.players("choose", "left-hander")
        assert client.arm().ok
        assert not client.throw("light-push", 99).ok
        assert client.throw("light-push", client.snapshot().stop_count).ok
        for told in client.notices(PATIENCE_S):
            if told.topic == "exit":
                break
        assert client.mark("made").ok
        assert client.snapshot().counts.made == 1
        time.sleep(COMMIT_S)
        pair.daemon.kill()
        pair.daemon.wait(PATIENCE_S)
    path = tmp_path / "drillfeed" / "journal.sqlite"
    with contextlib.closing(open_to_read(path)) as connection:
        found = reading.session(connection, 1)
    (ball,) = found.throws
    assert (ball["ball"], ball["commanded"], ball["seen"], ball["made"]) == ("light-push", 1, 1, 1)
    assert (found.sets[0].player, found.sets[0].simulated) == ("left-hander", True)
    assert [(command["line"].split()[0], command["code"]) for command in found.commands] == [
        ("players", None),
        ("players", None),
        ("arm", None),
        ("throw", 31),
        ("throw", None),
        ("mark", None),
    ]
    assert main(["history", "last", "--json", "--journal", str(path)]) == 0
    assert json.loads(capsys.readouterr().out)["shares"][0]["percent"] == 100.0


def test_daemon_without_a_writable_journal_practises_and_says_so(tmp_path: Path) -> None:
    """Where the journal's place is no place to write, everything works and the status names what is not recorded."""
    (tmp_path / "drillfeed").mkdir()
    (tmp_path / "drillfeed" / "journal.sqlite").mkdir()
    with running_pair("club-build", seed=1, folder=tmp_path) as pair, pair.client() as client:
        until_ready(client)
        assert client.arm().ok
        refused = client.history()
        assert refused.code is not None and refused.code.name == "not-recorded"
        end_s = time.monotonic() + PATIENCE_S
        while not any("not recorded yet" in text for text in client.snapshot().warnings):
            assert time.monotonic() < end_s
            time.sleep(0.1)
        assert client.disarm().ok
