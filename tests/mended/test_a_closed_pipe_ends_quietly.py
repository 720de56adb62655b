"""`drillfeed ... | head -1` ends quietly, whatever the sub-command: no traceback, no complaint of the interpreter."""

import contextlib
import os
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import pytest

from drillfeed.clients.find import NoDaemon
from drillfeed.clients.lines import Client
from drillfeed.daemon.children import free_ports
from drillfeed.daemon.cli import SUBCOMMANDS
from tests.journal.entries_of_a_practice import a_ball, a_set, journal_in, write_all
from tests.support.recorded import recorded_drill

pytestmark = pytest.mark.patient

PATIENCE_S = 60.0
COMPLAINTS = ("Traceback", "Exception", "Error", "Broken pipe", "Errno")
# What each sub-command prints without a daemon, beside its --help.
ALONE: dict[str, list[str]] = {
    "demo": ["demo", "--balls", "4", "--fast"],
    "list": ["list", "drills"],
    "list --json": ["list", "balls", "--json"],
    "check": ["check", "mixed-spin"],
    "check, mistaken": ["check", "no-such-drill"],
    "rehearse": ["rehearse", "mixed-spin"],
    "rehearse --json": ["rehearse", "mixed-spin", "--json"],
    "fly": ["fly", "--speed", "6", "--tilt", "14"],
    "aim": ["aim", "--spin", "-32", "--speed", "6.5", "--depth", "1.05"],
    "spread": ["spread", "light-push", "--balls", "20"],
    "history": ["history", "--journal", "{journal}"],
    "history --csv": ["history", "--journal", "{journal}", "--csv", "1"],
    "replay": ["replay", "{recording}"],
    "probe-driver": ["probe-driver", "--list"],
    "calibrate": ["calibrate", "--columns"],
    "no such sub-command": ["rehaerse"],
    "overview": [],
}
# What talks to a daemon.
BESIDE: dict[str, list[str]] = {
    "watch": ["watch", "--to", "{address}"],
    "watch --json": ["watch", "--to", "{address}", "--json"],
    "send": ["send", "--to", "{address}", "help", "status", "list balls"],
    "send, refused": ["send", "--to", "{address}", "start 99"],
    "prompt": ["prompt", "--to", "{address}"],
    "pedal": ["pedal", "--to", "{address}", "--lines"],
    "pair": ["pair", "--to", "{address}", "000000"],
}

TOLD_ON_STANDARD_ERROR = {"check, mistaken", "no such sub-command", "send, refused", "watch"}


def closed_at_once(words: list[str], both: bool, typed: bytes = b"") -> tuple[int, str]:
    """Run a command whose output goes to a pipe that nobody reads; return its status and what it complained."""
    read, write = os.pipe()
    os.close(read)
    try:
        process = subprocess.Popen(
            [sys.executable, "-X", "dev", "-W", "ignore", "-m", "drillfeed.daemon.cli", *words],
            stdin=subprocess.PIPE,
            stdout=write,
            stderr=write if both else subprocess.PIPE,
            env={name: value for name, value in os.environ.items() if name != "PYTHONUNBUFFERED"},
        )
    finally:
        os.close(write)
    try:
        _, complained = process.communicate(typed, timeout=PATIENCE_S)
    finally:
        if process.poll() is None:
            process.kill()
            process.communicate()
    return process.returncode, (complained or b"").decode()


@pytest.fixture(scope="module")
def places(tmp_path_factory: pytest.TempPathFactory) -> Iterator[dict[str, str]]:
    """A journal, a recording, and a daemon that something happens to."""
    folder = tmp_path_factory.mktemp("pipe")
    journal = journal_in(folder)
    write_all(journal, a_set(0.0), *(a_ball(float(n), n) for n in range(1, 300)))
    journal._close()
    (folder / "drill.jsonl").write_text("".join(recorded_drill(1)[1]))
    address, link = (f"127.0.0.1:{port}" for port in free_ports(2))
    where = ("--listen", address, "--link", f"tcp://{link}", "--observe", "tcp://127.0.0.1:*")
    with (folder / "out").open("wb") as out:
        daemon = subprocess.Popen(
            [sys.executable, "-m", "drillfeed.daemon.cli", "serve", *where],
            stdout=out, stderr=out, env={**os.environ, "XDG_STATE_HOME": str(folder), "PYTHONUNBUFFERED": "1"},
        )  # fmt: skip
    try:
        end_s = time.monotonic() + PATIENCE_S
        while "waiting for" not in (folder / "out").read_text() and time.monotonic() < end_s:
            time.sleep(0.05)
        yield {"journal": str(journal.path), "recording": str(folder / "drill.jsonl"), "address": address}
    finally:
        daemon.send_signal(signal.SIGTERM)
        daemon.wait(PATIENCE_S)


@contextlib.contextmanager
def happening(address: str) -> Iterator[None]:
    """Have something told all the while: what watches learns of its reader only when it prints."""
    over = threading.Event()

    def count() -> None:
        with Client.find(address) as client:
            while not over.wait(0.1):
                client.balls(48)

    thread = threading.Thread(target=count)
    thread.start()
    try:
        yield
    finally:
        over.set()
        thread.join(PATIENCE_S)


@pytest.mark.parametrize("name", {**ALONE, **BESIDE})
def test_nobody_reads_on(name: str, places: dict[str, str]) -> None:
    """With standard output closed (and standard error too, where it writes there) it ends, and complains of nothing."""
    words = [word.format(**places) for word in {**ALONE, **BESIDE}[name]]
    for both in (False, True) if name in TOLD_ON_STANDARD_ERROR else (False,):
        with happening(places["address"]) if name.startswith("watch") else contextlib.nullcontext():
            status, complained = closed_at_once(words, both, b"status\nhelp\ndown\nup\n")
        assert not any(word in complained for word in COMPLAINTS), complained
        assert status in (0, 1, 2, 3)


def test_every_help_ends_quietly() -> None:
    """`--help` of all sub-commands, with nobody reading."""
    with ThreadPoolExecutor(2) as both:
        found = dict(
            zip(SUBCOMMANDS, both.map(lambda name: closed_at_once([name, "--help"], False), SUBCOMMANDS), strict=True)
        )
    assert {name: told for name, told in found.items() if told[1] or told[0] not in (0, 1)} == {}


@pytest.mark.parametrize("words", [["rehearse", "mixed-spin", "--json"], ["history", "--journal", "{journal}", "1"]])
def test_a_reader_that_takes_one_line_gets_it(words: list[str], places: dict[str, str]) -> None:
    """`| head -1`: the first line comes whole, and the rest ends quietly."""
    process = subprocess.Popen(
        [sys.executable, "-m", "drillfeed.daemon.cli", *(word.format(**places) for word in words)],
        stdout=subprocess.PIPE, stderr=subprocess.PIPE,
    )  # fmt: skip
    assert process.stdout is not None and process.stderr is not None
    with contextlib.closing(process.stdout), contextlib.closing(process.stderr):
        assert process.stdout.readline().endswith(b"\n")
        process.stdout.close()
        assert process.stderr.read() == b""
        assert process.wait(PATIENCE_S) in (0, 1)


def _up(port: int, log: Path) -> bool:
    """Tell whether a daemon answers at the port, or a driver has begun its log."""
    end_s = time.monotonic() + PATIENCE_S
    while time.monotonic() < end_s:
        if log.exists() and log.stat().st_size:
            return True
        with contextlib.suppress(NoDaemon):
            Client.find(f"127.0.0.1:{port}").close()
            return True
        time.sleep(0.05)
    return False


@pytest.mark.parametrize("name", ["serve", "drive"])
def test_what_drives_goes_on_without_a_reader(name: str, tmp_path: Path) -> None:
    """A daemon and a driver whose output nobody reads go on, and end in order when they are told to."""
    listen, port = free_ports(2)
    link = f"tcp://127.0.0.1:{port}"
    words = {
        "serve": ["serve", "--listen", f"127.0.0.1:{listen}", "--link", link, "--observe", "tcp://127.0.0.1:*"],
        "drive": ["drive", "simulated", "--link", link, "--log", str(tmp_path / "log")],
    }[name]
    read, write = os.pipe()
    os.close(read)
    process = subprocess.Popen(
        [sys.executable, "-m", "drillfeed.daemon.cli", *words],
        stdout=write, stderr=write, env={**os.environ, "XDG_STATE_HOME": str(tmp_path)},
    )  # fmt: skip
    os.close(write)
    try:
        assert _up(listen, tmp_path / "log")
        with pytest.raises(subprocess.TimeoutExpired):
            process.wait(1.0)
    finally:
        process.send_signal(signal.SIGTERM)
    assert process.wait(PATIENCE_S) == 0
