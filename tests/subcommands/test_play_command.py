"""`drillfeed play`: one command brings everything up in one terminal, and ends what it started and nothing else."""

import os
import re
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path

import pytest

from drillfeed.clients.find import NoDaemon
from drillfeed.clients.lines import Client
from drillfeed.daemon.children import free_ports
from tests.support.terminal import OnTerminal

END_S = 30.0


@pytest.fixture
def config(tmp_path: Path) -> Path:
    """A configuration with addresses of its own."""
    listen, link, observe = free_ports(3)
    file = tmp_path / "drillfeed.toml"
    lines = (
        f'listen = "127.0.0.1:{listen}"',
        f'link = "tcp://127.0.0.1:{link}"',
        f'observe = "tcp://127.0.0.1:{observe}"',
    )
    file.write_text("\n".join(lines) + "\n")
    return file


def listen_of(config: Path) -> str:
    return config.read_text().split('"')[1]


def playing(config: Path, *words: str) -> OnTerminal:
    """Start `drillfeed play` on a terminal, without the page."""
    environment = {"XDG_STATE_HOME": str(config.parent)}
    return OnTerminal(*command("play", "--config", str(config), "--phone", "off", *words), environment=environment)


def shown(terminal: OnTerminal) -> str:
    """Return what the terminal got, without its control sequences."""
    return re.sub(r"\x1b\[[0-9;?]*[A-Za-z]", "", terminal.text)


def command(*words: str) -> tuple[str, ...]:
    return (sys.executable, "-m", "drillfeed.daemon.cli", *words)


def started_here(config: Path) -> list[int]:
    """Return the processes that name this test's addresses on their command line, but for `play` itself."""
    found = []
    for folder in Path("/proc").iterdir():
        if not folder.name.isdigit():
            continue
        try:
            words = (folder / "cmdline").read_bytes().decode(errors="replace").split("\0")
        except OSError:
            continue
        if listen_of(config) in words or config.read_text().split('"')[3] in words:
            found.append(int(folder.name))
    return found


def all_gone(config: Path) -> bool:
    end_s = time.monotonic() + END_S
    while started_here(config) and time.monotonic() < end_s:
        time.sleep(0.1)
    return not started_here(config)


def test_a_drill_is_thrown_and_everything_ends_with_q(config: Path) -> None:
    """The drill named is loaded, a and g start it, and q in mid-drill stops, then ends daemon and driver; exit 0."""
    with playing(config, "gentle-lift", "--machine", "club-build") as terminal:
        terminal.until(lambda: "gentle-lift:" in terminal.text)
        with Client.find(listen_of(config)) as client:
            client.balls(40)
            terminal.type("a")
            terminal.until(lambda: client.snapshot().state == "ARMED")
            terminal.type("g")
            terminal.until(lambda: client.snapshot().state == "SPINUP")
        assert len(started_here(config)) == 2
        terminal.type("q")
        assert terminal.read_to_end(END_S) == 0
    assert not started_here(config)


def test_a_daemon_that_runs_already_is_joined_and_goes_on(config: Path) -> None:
    """The screen says that it joined; after q the daemon still answers."""
    serve = command("serve", "--config", str(config))
    environment = {**os.environ, "XDG_STATE_HOME": str(config.parent)}
    with subprocess.Popen(serve, env=environment, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL) as daemon:
        try:
            assert up(listen_of(config))
            with playing(config) as terminal:
                terminal.until(lambda: "joined a daemon" in " ".join(shown(terminal).split()))
                terminal.type("q")
                assert terminal.read_to_end(END_S) == 0
            with Client.find(listen_of(config)) as client:
                assert client.snapshot().state == "OFFLINE"
        finally:
            daemon.terminate()
            daemon.wait(END_S)


def up(listen: str) -> bool:
    end_s = time.monotonic() + END_S
    while time.monotonic() < end_s:
        try:
            Client.find(listen).close()
        except NoDaemon:
            time.sleep(0.1)
        else:
            return True
    return False


@pytest.mark.parametrize("number", [signal.SIGHUP, signal.SIGTERM, signal.SIGKILL])
def test_whatever_ends_it_ends_what_it_started(config: Path, number: signal.Signals) -> None:
    """A hang-up, SIGTERM, and even a kill leave no daemon and no driver behind."""
    with playing(config) as terminal:
        terminal.until(lambda: "IDLE" in terminal.text)
        assert len(started_here(config)) >= 2
        if number == signal.SIGHUP:
            terminal.hang_up()
        else:
            terminal.process.send_signal(number)
        terminal.process.wait(END_S)
    assert all_gone(config)


def test_a_driver_that_refuses_is_quoted_and_nothing_stays(config: Path) -> None:
    """What the driver says against its arguments is shown; exit 1, and the daemon has ended too."""
    with playing(config, "--port", "/dev/none", "--duty", "none.toml") as terminal:
        assert terminal.read_to_end(END_S) == 1
        assert "the driver did not come up" in terminal.text and "leave --duty out" in terminal.text
    assert not started_here(config)


def test_a_board_that_is_not_plugged_in_is_named_on_the_screen(config: Path) -> None:
    """The driver waits for its port; the screen names the port meanwhile, and arming is not offered."""
    with playing(config, "--port", str(config.parent / "no-port")) as terminal:
        terminal.until(lambda: "could not open port" in " ".join(shown(terminal).split()))
        terminal.until(lambda: "no-port" in "".join(shown(terminal).split()))


def test_without_a_terminal_it_says_what_to_use() -> None:
    """In a pipe it refuses and names the commands for scripts."""
    done = subprocess.run(command("play"), capture_output=True, text=True, stdin=subprocess.DEVNULL, check=False)
    assert done.returncode == 2
    assert "serve, drive and send" in done.stderr


@pytest.fixture(autouse=True)
def nothing_is_left(config: Path) -> Iterator[None]:
    """End what a failing test left behind, by its id."""
    yield
    for number in started_here(config):
        os.kill(number, signal.SIGKILL)
