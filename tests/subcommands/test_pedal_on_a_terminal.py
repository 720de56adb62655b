"""`drillfeed pedal` as it is started: in a pseudo-terminal, and behind a pipe."""

import os
import pty
import select
import signal
import subprocess
import sys
import time
from collections.abc import Callable

import pytest

from drillfeed.clients.cues import BELLS, Bells, shown
from drillfeed.clients.pedal.foot import SAME_WISH_S
from drillfeed.protocol.status import CUES
from drillfeed.protocol.texts.catalogue import text
from tests.shell.fake_desk import WAIT_S, FakeDesk, serving
from tests.support import ctrl_c

COMMAND = [sys.executable, "-m", "drillfeed.daemon.cli", "pedal"]


class Screen:
    """What a process on a pseudo-terminal has printed."""

    def __init__(self, command: list[str]) -> None:
        self.pid, self.terminal = pty.fork()
        if self.pid == 0:
            ctrl_c.heeded()
            os.execv(command[0], command)
        self.text = ""

    def until(self, true: Callable[[], bool]) -> None:
        """Read on until something is true; fail after ten seconds, showing the screen."""
        end_s = time.monotonic() + WAIT_S
        while not true():
            assert time.monotonic() < end_s, self.text
            if select.select([self.terminal], [], [], 0.05)[0]:
                self.text += os.read(self.terminal, 4096).decode()

    def type(self, text: str) -> None:
        os.write(self.terminal, text.encode())

    def end(self) -> int:
        """Wait until the process has ended by itself, ten seconds at most; return its exit code."""
        end_s = time.monotonic() + WAIT_S
        while (ended := os.waitpid(self.pid, os.WNOHANG))[0] == 0 and time.monotonic() < end_s:
            time.sleep(0.02)
        if ended[0] == 0:
            os.kill(self.pid, signal.SIGKILL)
            os.waitpid(self.pid, 0)
            raise AssertionError(f"still there after {WAIT_S:g} s: {self.text}")
        os.close(self.terminal)
        return os.waitstatus_to_exitcode(ended[1])


def test_any_key_of_a_terminal_pauses_at_once_resumes_and_stops_when_held() -> None:
    """A tap while balls come pauses, a later tap resumes, a key that keeps repeating stops; nothing is echoed."""
    desk = FakeDesk(state="FEEDING")
    with serving(desk) as to:
        screen = Screen([*COMMAND, "--to", to])
        screen.until(lambda: "FEEDING for" in screen.text)
        screen.type("b")
        screen.until(lambda: desk.order == ["pause"])
        paused_s = time.monotonic()
        desk.state = "PAUSED"
        screen.until(lambda: "PAUSED for" in screen.text and time.monotonic() > paused_s + SAME_WISH_S)
        screen.type("b")
        screen.until(lambda: desk.order == ["pause", "resume"])
        desk.state = "FEEDING"
        screen.until(lambda: screen.text.count("FEEDING for") == 2)

        def held_until_stopped() -> bool:
            screen.type("b")
            return "stop" in desk.order

        screen.until(held_until_stopped)
        screen.type("\x03")
        assert screen.end() == 0
    assert desk.order[:4] == ["pause", "resume", "pause", "stop"]
    assert "bb" not in screen.text


def test_a_contact_behind_a_pipe_pauses_when_its_program_ends() -> None:
    """Lines `down` and `up` are a foot switch; the end of the program that writes them counts as unplugged."""
    desk = FakeDesk(state="FEEDING")
    with (
        serving(desk) as to,
        subprocess.Popen(
            [*COMMAND, "--to", to, "--lines", "--quiet"], stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True
        ) as process,
    ):
        assert process.stdin is not None and process.stdout is not None
        process.stdin.write("up\n")
        process.stdin.flush()
        told = [process.stdout.readline() for _ in range(2)]
        process.stdin.close()
        while "gone" not in told[-1]:
            told.append(process.stdout.readline())
        process.terminate()
        process.wait(WAIT_S)
    assert any("the foot switch is there" in line for line in told)
    assert desk.order == ["pause"]


@pytest.mark.parametrize(
    ("arguments", "code", "said"),
    [
        (["--to", "127.0.0.1:1", "--lines"], 3, "no daemon answers"),
        (["--to", "here", "--lines"], 2, "is no address"),
        (["--lines", "--double", "start"], 2, "start cannot be on a foot switch"),
        ([], 2, "standard input is no terminal"),
    ],
)
def test_what_cannot_work_is_said_at_once(arguments: list[str], code: int, said: str) -> None:
    """Wrong settings and a missing daemon end with their own exit code and what to do."""
    ended = subprocess.run([*COMMAND, *arguments], stdin=subprocess.DEVNULL, capture_output=True, text=True, timeout=60)
    assert ended.returncode == code
    assert said in ended.stderr


def test_every_cue_has_bells_of_its_own_and_words() -> None:
    """No two cues sound alike, and each comes with what it means."""
    assert set(BELLS) == set(CUES)
    assert len(set(BELLS.values())) == len(BELLS)
    for cue in CUES:
        assert text(f"cue.{cue}") in shown(cue, "")


def test_bells_ring_at_their_moments_and_one_cue_after_the_other() -> None:
    """A second cue waits for the first; what rings stays bounded."""
    bells = Bells()
    bells.ring("pause", 0.0)
    bells.ring("tick", 0.0)
    rung = [step / 100 for step in range(200) if bells.due(step / 100)]
    assert rung == pytest.approx([0.0, 0.35, 0.70], abs=0.011)
    for _ in range(100):
        bells.ring("fault", 5.0)
    assert sum(bells.due(5.0 + step / 10) for step in range(1000)) <= 32
