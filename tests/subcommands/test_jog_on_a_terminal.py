"""`drillfeed jog` as it is started: in a pseudo-terminal, behind a pipe, and where it cannot work."""

import asyncio
import subprocess
import sys
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

from drillfeed.daemon.shell.line_server import LineServer
from tests.shell.fake_desk import WAIT_S, FakeDesk, serving
from tests.subcommands.test_pedal_on_a_terminal import Screen

COMMAND = [sys.executable, "-m", "drillfeed.daemon.cli", "jog"]
REPEAT_S = 0.03


@contextmanager
def serving_at(path: Path, desk: FakeDesk) -> Iterator[str]:
    """Serve a desk at a Unix socket from a thread of its own: who comes is the owner at the machine."""
    loop, server = asyncio.new_event_loop(), LineServer(desk)
    loop.run_until_complete(server.listen_unix(path))
    thread = threading.Thread(target=loop.run_forever)
    thread.start()
    try:
        yield str(path)
    finally:
        asyncio.run_coroutine_threadsafe(server.close(), loop).result(WAIT_S)
        loop.call_soon_threadsafe(loop.stop)
        thread.join(WAIT_S)
        loop.close()


@pytest.fixture(autouse=True)
def here(monkeypatch: pytest.MonkeyPatch) -> None:
    """Be at the machine, wherever the tests are run from."""
    monkeypatch.delenv("SSH_CONNECTION", raising=False)


def test_a_key_that_repeats_holds_and_q_leaves_set_up(tmp_path: Path) -> None:
    """Set-up begins; repeats send tokens and one jog; nothing is sent once they cease; q ends set-up."""
    desk = FakeDesk(state="SETUP")
    with serving_at(tmp_path / "drillfeed.sock", desk) as to:
        screen = Screen([*COMMAND, "top", "400", "--to", to])
        screen.until(lambda: "hold for top" in screen.text)

        def held() -> bool:
            screen.type(" ")
            time.sleep(REPEAT_S)
            return desk.order.count("hold") >= 4

        screen.until(held)
        screen.until(lambda: screen.text.count("taken") >= 1)
        sent = list(desk.order)
        time.sleep(0.3)
        assert desk.order == sent, "tokens went on without a hand"
        screen.type("q")
        assert screen.end() == 0
    assert desk.order[:3] == ["setup", "hold", "jog"]
    assert desk.order.count("jog") == 1 and desk.order[-1] == "setup"
    tokens = [command.values["token"] for command, _ in desk.commands if command.verb == "hold"]
    assert tokens == sorted(set(tokens))


@pytest.mark.parametrize("keys", ["s", "\x03"], ids=["s", "ctrl-c"])
def test_stopping_stops_first(keys: str, tmp_path: Path) -> None:
    """s and Ctrl-C send a stop before anything else, and leave."""
    desk = FakeDesk(state="SETUP")
    with serving_at(tmp_path / "drillfeed.sock", desk) as to:
        screen = Screen([*COMMAND, "tilt", "12", "--to", to])
        screen.until(lambda: "hold for tilt" in screen.text)
        screen.type(keys)
        assert screen.end() == 0
    assert desk.order == ["setup", "stop", "setup"]


def test_a_contact_behind_a_pipe_holds_while_it_is_down(tmp_path: Path) -> None:
    """Lines `down` and `up` are a hand: tokens go from the one to the other, and the pipe's end leaves."""
    desk = FakeDesk(state="SETUP")
    with (
        serving_at(tmp_path / "drillfeed.sock", desk) as to,
        subprocess.Popen(
            [*COMMAND, "top", "400", "--to", to, "--lines"], stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True
        ) as process,
    ):
        assert process.stdin is not None and process.stdout is not None
        assert "hold for top" in process.stdout.readline()
        for word in ("up", "down"):
            process.stdin.write(f"{word}\n")
            process.stdin.flush()
        end_s = time.monotonic() + WAIT_S
        while desk.order.count("hold") < 4 and time.monotonic() < end_s:
            time.sleep(0.01)
        process.stdin.write("up\n")
        process.stdin.close()
        assert process.wait(WAIT_S) == 0
    assert desk.order.count("hold") >= 4 and desk.order.count("jog") == 1 and desk.order[-1] == "setup"


@pytest.mark.parametrize(
    ("arguments", "code", "said"),
    [
        (["wheel", "400"], 2, "nothing to hold"),
        (["wheels", "400", "--lines"], 2, "takes 2 figures"),
        (["top", "400"], 2, "no terminal"),
        (["top", "400", "--lines", "--to", "127.0.0.1:1"], 3, "no daemon answers"),
    ],
)
def test_what_cannot_work_is_said_at_once(arguments: list[str], code: int, said: str) -> None:
    """Wrong words and a missing daemon end with their own exit code and what to do."""
    ended = subprocess.run([*COMMAND, *arguments], stdin=subprocess.DEVNULL, capture_output=True, text=True, timeout=60)
    assert (ended.returncode, said in ended.stderr) == (code, True), ended.stderr


def test_elsewhere_it_is_refused(monkeypatch: pytest.MonkeyPatch) -> None:
    """Over TCP the daemon refuses set-up; in a terminal reached over a network the client does, before it connects."""
    with serving(FakeDesk(state="ARMED")) as to:
        ended = subprocess.run(
            [*COMMAND, "top", "400", "--lines", "--to", to], input="", capture_output=True, text=True, timeout=60
        )
    assert ended.returncode == 1 and "set-up" not in ended.stdout
    monkeypatch.setenv("SSH_CONNECTION", "192.0.2.7 50000 192.0.2.10 22")
    screen = Screen([*COMMAND, "top", "400", "--to", "127.0.0.1:1"])
    screen.until(lambda: "--at-the-machine" in screen.text)
    assert screen.end() == 2
