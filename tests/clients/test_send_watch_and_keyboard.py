"""The sub-commands send, watch and keyboard, against a line server on loopback."""

import argparse
import json
import os
import pty
import select
import subprocess
import sys
from collections.abc import Callable
from types import ModuleType

import pytest

from drillfeed.daemon.subcommands import keyboard, send, watch
from tests.shell.fake_desk import WAIT_S, FakeDesk, serving


def run(module: ModuleType, *arguments: str) -> int:
    parser = argparse.ArgumentParser()
    module.add_arguments(parser)
    code = module.run(parser.parse_args(arguments))
    assert isinstance(code, int)
    return code


def test_send_prints_replies_and_exits_by_the_outcome(capsys: pytest.CaptureFixture[str]) -> None:
    """0 and the answer when accepted; 1 and the reason on standard error when refused."""
    desk = FakeDesk()
    with serving(desk) as to:
        assert run(send, "--to", to, "balls 40", "status json") == 0
        out, err = capsys.readouterr()
        first, second = out.splitlines()
        assert first == "done balls taken" and json.loads(second)["state"] == "IDLE" and err == ""
        assert run(send, "--to", to, "resume") == 1
        out, err = capsys.readouterr()
        assert out == "" and err.startswith("no 30 wrong-state")


def test_send_goes_no_further_after_a_refusal_but_for_a_stop(capsys: pytest.CaptureFixture[str]) -> None:
    """After a refused line nothing more is set going, and a stop is still sent."""
    desk = FakeDesk()
    with serving(desk) as to:
        assert run(send, "--to", to, "load", "mixed-spin", "balls 3", "stop") == 1
    assert desk.order == ["stop"]
    assert "put a line with blanks in quotes" in capsys.readouterr().err


@pytest.mark.parametrize("module", [send, watch])
def test_exit_code_is_3_without_a_daemon_and_2_for_what_is_no_address(
    module: ModuleType, capsys: pytest.CaptureFixture[str]
) -> None:
    """A script can tell a missing daemon from a refusal."""
    lines = ["stop"] if module is send else []
    with serving(FakeDesk()) as to:
        gone = to
    assert run(module, "--to", gone, *lines) == 3
    assert "no daemon answers" in capsys.readouterr().err
    assert run(module, "--to", "hall", *lines) == 2
    assert "expected HOST:PORT" in capsys.readouterr().err


@pytest.mark.parametrize("as_json", [False, True])
def test_watch_prints_what_happens_until_the_daemon_goes(as_json: bool, capsys: pytest.CaptureFixture[str]) -> None:
    """One line a notice, for people or as JSON; exit 3 when the daemon closes."""
    desk = FakeDesk()

    def tell_and_go() -> None:
        desk.happen("ball 1 has left")

    with serving(desk) as to:
        child = subprocess.Popen(
            [sys.executable, "-c", RUN.format(name="watch", arguments=["--to", to, *["--json"] * as_json])],
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            text=True,
        )
        assert child.stdout is not None
        if not as_json:
            assert child.stdout.readline().startswith("IDLE for")
        else:
            # Told again and again until it is seen: when the child begins to watch is not known here.
            while not select.select([child.stdout], [], [], 0.05)[0]:
                tell_and_go()
        tell_and_go()
        line = child.stdout.readline()
    child.communicate(timeout=WAIT_S)
    assert child.returncode == 3
    if as_json:
        assert json.loads(line)["text"] == "ball 1 has left"
    else:
        assert line == "log       ball 1 has left\n"


RUN = """
import argparse, sys
from drillfeed.daemon.subcommands import {name} as module
parser = argparse.ArgumentParser()
module.add_arguments(parser)
sys.exit(module.run(parser.parse_args({arguments!r})))
"""


def test_keyboard_needs_a_terminal(capsys: pytest.CaptureFixture[str]) -> None:
    """Without a terminal it says so and exits 2."""
    assert run(keyboard, "--to", "127.0.0.1:1") == 2
    assert "needs a terminal" in capsys.readouterr().err


def test_keyboard_on_a_terminal_shows_the_state_and_acts_on_keys() -> None:
    """The state is drawn, space pauses and s stops while arm still waits, and q leaves the terminal tidy."""
    desk = FakeDesk()
    with serving(desk) as to:
        pid, terminal = pty.fork()
        if pid == 0:
            os.execv(sys.executable, [sys.executable, "-c", RUN.format(name="keyboard", arguments=["--to", to])])
        screen = ""

        def shown(wanted: Callable[[], bool]) -> None:
            nonlocal screen
            for _ in range(200):
                if wanted():
                    return
                if select.select([terminal], [], [], 0.05)[0]:
                    screen += os.read(terminal, 65_536).decode()
            raise AssertionError(f"did not happen; the screen was {screen[-2_000:]!r}")

        shown(lambda: "IDLE for 2.0 s" in screen)
        os.write(terminal, b"a")
        shown(lambda: len(desk.held) == 1)
        os.write(terminal, b" ")
        shown(lambda: desk.order == ["arm", "pause"])
        os.write(terminal, b"s")
        shown(lambda: desk.order == ["arm", "pause", "stop"])
        shown(lambda: "the feed is closed" in screen)
        os.write(terminal, b"\x1b[A\x1b[B")
        os.write(terminal, b"q")
        shown(lambda: "\x1b[?25h" in screen)
        _, status = os.waitpid(pid, 0)
        os.close(terminal)
    assert os.waitstatus_to_exitcode(status) == 0
    assert desk.order == ["arm", "pause", "stop"]


def test_keyboard_session_connects_again(monkeypatch: pytest.MonkeyPatch) -> None:
    """A daemon that goes is shown as not connected, keys say that nothing was sent, and it is found again."""
    monkeypatch.setenv("DRILLFEED", "127.0.0.1:1")
    with serving(FakeDesk()) as to:
        monkeypatch.setenv("DRILLFEED", to)
        session = keyboard.Session(None)
        session.client.connect()
        session.client.look(0.0)
        assert session.client.snapshot is not None
    session.client.look(10.0)
    assert session.client.snapshot is None
    assert session.key("s", 10.1)
    assert session.client.message.startswith("NOT SENT")
    desk = FakeDesk()
    with serving(desk) as to:
        monkeypatch.setenv("DRILLFEED", to)
        session.client.look(12.0)
        assert session.client.snapshot is not None
        assert session.client.message == "connected again"
        session.typed("s", 12.1)
        session.client.look(12.2)
        session.client.close()
    assert desk.order == ["stop"]
