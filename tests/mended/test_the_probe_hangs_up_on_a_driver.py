"""The probe asks for L29 where it knows the driver's process: a hang-up, last of all, with wheels turning slowly."""

import subprocess
import sys
from collections.abc import Callable

import pytest

from drillfeed.clients.probe.bench import MeetsHangUp
from drillfeed.clients.probe.probe import TABLE
from drillfeed.clients.probe.process import gone, meets_hang_up
from tests.probe.virtual_bench import run_probe, sound_driver

SLEEPER = "import signal, sys, time; {how}; print('up', flush=True); time.sleep(60)"


def test_nothing_comes_after_it() -> None:
    """The driver is gone after this check, so it is the last of the table, and it needs leave to turn wheels."""
    assert (TABLE[-1].name, TABLE[-1].clause, TABLE[-1].phase) == ("hangs-up", "L29", "armed")


@pytest.mark.parametrize(
    ("met", "leaves", "result", "said"),
    [
        ("caught", True, "holds", "ended after"),
        ("caught", False, "fails", "still running 3 s after"),
        ("not caught", True, "fails", "does not catch SIGHUP"),
        ("ignored", True, "not known", "nohup"),
        ("unknown", True, "not known", "can't tell whether"),
    ],
)
def test_what_becomes_of_a_hang_up(met: MeetsHangUp, leaves: bool, result: str, said: str) -> None:
    """Only a driver that catches the signal and leaves by itself holds; one that is killed takes no power away."""
    probe = run_probe(sound_driver, only=("hangs-up",), meets_hang_up=met, leaves=leaves)
    (row,) = probe.rows
    assert (row.result, said in row.saw) == (result, True), row.saw


def test_without_the_process_it_is_not_known() -> None:
    """A driver elsewhere cannot be hung up on: the row says how to find out."""
    (row,) = run_probe(sound_driver, freeze=False, only=("hangs-up",)).rows
    assert row.result == "not known" and "--pid" in row.saw


@pytest.mark.parametrize(
    ("how", "met"),
    [
        ("signal.signal(signal.SIGHUP, lambda *_: sys.exit(0))", "caught"),
        ("signal.signal(signal.SIGHUP, signal.SIG_IGN)", "ignored"),
        ("signal.signal(signal.SIGHUP, signal.SIG_DFL)", "not caught"),
    ],
)
def test_a_process_tells_what_it_does_with_the_signal(how: str, met: str) -> None:
    """The system says whether a signal is caught; a process that ended is gone, even before its parent takes note."""
    with subprocess.Popen([sys.executable, "-c", SLEEPER.format(how=how)], stdout=subprocess.PIPE) as process:
        assert process.stdout is not None and process.stdout.readline() == b"up\n"
        assert (meets_hang_up(process.pid), gone(process.pid)) == (met, False)
        process.kill()
        process.stdout.read()
        until(lambda: gone(process.pid))
    assert gone(process.pid) and meets_hang_up(process.pid) == "unknown"


def until(true: Callable[[], bool]) -> None:
    """Look until something is true."""
    for _ in range(1_000_000):
        if true():
            return
    raise AssertionError
