"""The journal's process killed at random instants: nothing told as recorded is missing, nothing is doubled."""

import contextlib
import random
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest

from drillfeed.daemon.journal.schema import open_to_read, open_to_write

WRITER = "tests.faults.journal_in_its_own_process"
REPOSITORY = Path(__file__).parents[2]
LONGEST_S = 0.6
PATIENCE_S = 30.0


def kill_once(path: Path, run: str, after_s: float) -> list[int]:
    """Let a writer run for a while after its first commit, kill it, and return the balls it had told as recorded."""
    command = [sys.executable, "-m", WRITER, str(path), run]
    with subprocess.Popen(command, stdout=subprocess.PIPE, text=True, cwd=REPOSITORY) as process:
        assert process.stdout is not None
        first = process.stdout.readline()
        time.sleep(after_s)
        process.send_signal(signal.SIGKILL)
        rest = process.stdout.read()
        process.wait(PATIENCE_S)
    # The last line may have been cut off by the kill.
    return [int(line) for line in (first + rest).splitlines(keepends=True) if line.endswith("\n")]


def kill_often(folder: Path, times: int, chance: random.Random) -> None:
    path = folder / "journal.sqlite"
    for number in range(times):
        told = kill_once(path, f"run-{number}", chance.uniform(0, LONGEST_S))
        assert told
        with contextlib.closing(open_to_write(path)) as connection:
            assert connection.execute("PRAGMA integrity_check").fetchone()[0] == "ok"
        with contextlib.closing(open_to_read(path)) as connection:
            rows = connection.execute(
                "SELECT feed_id FROM throws JOIN sessions ON sessions.id = session_id WHERE run = ?", (f"run-{number}",)
            )
            kept = [row[0] for row in rows]
        assert len(kept) == len(set(kept))
        assert set(told) <= set(kept)
        assert sorted(kept) == list(range(1, len(kept) + 1))
    assert not list(folder.glob("*.damaged-*"))


def test_four_kills_lose_no_throw_that_was_told_as_recorded(tmp_path: Path) -> None:
    """A killed daemon leaves a journal that opens, with every recorded throw in it once and no gap between."""
    kill_often(tmp_path, 4, random.Random(1))


@pytest.mark.slow
def test_two_hundred_kills_lose_no_throw_that_was_told_as_recorded(tmp_path: Path) -> None:
    """Two hundred kills at random instants, all into the same file."""
    kill_often(tmp_path, 200, random.Random(2))
