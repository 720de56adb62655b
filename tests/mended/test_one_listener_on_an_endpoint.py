"""Whoever listens on the driver link keeps it: a second daemon, probe or replay is refused in plain words."""

import contextlib
import os
import signal
import socket
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path

import pytest
import zmq

from drillfeed.clients.drivers.link_loop import connect
from drillfeed.daemon import cli
from drillfeed.daemon.demo.processes import free_ports
from drillfeed.daemon.shell.endpoint import Held
from drillfeed.daemon.shell.link_socket import LinkTaken, link_socket
from tests.support.recorded import recorded_drill

pytestmark = pytest.mark.patient

PATIENCE_S = 30.0


class Serving:
    """A `drillfeed serve` of its own, with a state folder and a machine of its own."""

    def __init__(self, name: str, folder: Path, machine: str, *words: str) -> None:
        state = folder / name
        state.mkdir()
        self.out = state / "out"
        where = ("--listen", f"127.0.0.1:{free_ports(1)[0]}", "--machine", machine)
        with self.out.open("w") as out:
            self.process = subprocess.Popen(
                [sys.executable, "-m", "drillfeed.daemon.cli", "serve", *where, *words],
                stdout=out, stderr=out, env={**os.environ, "XDG_STATE_HOME": str(state), "PYTHONUNBUFFERED": "1"},
            )  # fmt: skip

    def up(self) -> bool:
        """Tell whether it waits for a driver; False once it has left."""
        while self.process.poll() is None:
            if "waiting for a motor driver" in self.out.read_text():
                return True
            time.sleep(0.01)
        return False

    def close(self) -> None:
        self.process.send_signal(signal.SIGTERM)
        self.process.wait(PATIENCE_S)


@contextlib.contextmanager
def listening(endpoint: str) -> Iterator["zmq.Socket[bytes]"]:
    """Somebody who holds and binds the endpoint, as a daemon does."""
    with zmq.Context() as context, Held(endpoint), contextlib.closing(link_socket(context, endpoint)) as router:
        yield router


def still_heard(router: "zmq.Socket[bytes]", endpoint: str) -> bool:
    """Tell whether what a driver that connects now sends comes to the first listener."""
    with zmq.Context() as context, contextlib.closing(connect(context, endpoint)) as driver:
        driver.send(b"here") if driver.poll(5000, zmq.POLLOUT) else None
        return bool(router.poll(5000)) and router.recv_multipart()[1] == b"here"


@pytest.mark.parametrize("scheme", ["ipc", "ipc by another name", "tcp"])
def test_a_second_daemon_on_the_same_link_is_refused(scheme: str, tmp_path: Path) -> None:
    """Two daemons for two machines on one link: the second leaves with status 1 and one line; the first goes on."""
    link = f"tcp://127.0.0.1:{free_ports(1)[0]}" if scheme == "tcp" else f"ipc://{tmp_path}/link"
    (tmp_path / "alias").symlink_to(tmp_path)
    again = link.replace("/link", "/alias/link") if "another" in scheme else link
    with contextlib.ExitStack() as ends:
        first = Serving("one", tmp_path, "club-build", "--link", link, "--observe", "tcp://127.0.0.1:*")
        ends.callback(first.close)
        assert first.up(), first.out.read_text()
        second = Serving("two", tmp_path, "kit-build", "--link", again, "--observe", "tcp://127.0.0.1:*")
        ends.callback(second.close)
        assert not second.up()
        assert second.process.wait() == 1
        (told,) = second.out.read_text().splitlines()
        assert told.startswith(f"drillfeed serve: {again} cannot be bound: another program listens there. Next: ")
        with zmq.Context() as context, contextlib.closing(connect(context, link)) as driver:
            assert driver.poll(5000, zmq.POLLOUT)
        assert first.process.poll() is None


@pytest.mark.parametrize("what", ["probe", "replay"])
def test_probe_and_replay_take_no_link_from_a_daemon(
    what: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """`probe-driver` and `replay` beside a daemon on an ipc link are refused, and drivers still come to the daemon."""
    link = f"ipc://{tmp_path}/link"
    recording = tmp_path / "drill.jsonl"
    recording.write_text("".join(recorded_drill(1)[1]))
    words = {
        "probe": ["probe-driver", "--link", link, "--wait", "0.2"],
        "replay": ["replay", str(recording), "--link", link, "--yes"],
    }[what]
    with listening(link) as router:
        assert cli.main(words) == 2
        assert f"{link} cannot be bound: another program listens there" in capsys.readouterr().err
        assert still_heard(router, link)


def test_a_listener_that_holds_no_lock_keeps_its_endpoint_too(tmp_path: Path) -> None:
    """A program that knows no lock listens on the path: found by asking, and refused."""
    with contextlib.closing(socket.socket(socket.AF_UNIX)) as other:
        other.bind(f"{tmp_path}/link")
        other.listen()
        with pytest.raises(LinkTaken, match="another program listens there"):
            Held(f"ipc://{tmp_path}/link")


def test_what_a_killed_daemon_left_is_taken_over(tmp_path: Path) -> None:
    """A socket file that nobody answers at, and a lock file that nobody holds, are no obstacle; nor is giving back."""
    link = f"ipc://{tmp_path}/link"
    with contextlib.closing(socket.socket(socket.AF_UNIX)) as dead:
        dead.bind(f"{tmp_path}/link")
    (tmp_path / "link.lock").touch()
    for _ in range(2):
        with listening(link) as router:
            assert still_heard(router, link)


@pytest.mark.parametrize("kind", ["file", "link"])
def test_a_file_at_the_path_is_never_removed(kind: str, tmp_path: Path) -> None:
    """What lies at the path and is no socket stays as it is, and the refusal names it."""
    kept = tmp_path / "notes"
    kept.write_text("kept")
    path = kept if kind == "file" else tmp_path / "link"
    if kind == "link":
        path.symlink_to(kept)
    with pytest.raises(LinkTaken, match=f"{path} is no socket"):
        Held(f"ipc://{path}")
    assert path.read_text() == "kept"


def test_the_same_endpoint_for_link_and_observers_is_refused(tmp_path: Path) -> None:
    """A daemon that would listen twice on one path is told so."""
    link = f"ipc://{tmp_path}/link"
    with contextlib.closing(Serving("one", tmp_path, "club-build", "--link", link, "--observe", link)) as serving:
        assert not serving.up()
        assert serving.process.wait() == 1 and "cannot be bound" in serving.out.read_text()


@pytest.mark.parametrize("endpoint", ["ipc://@drillfeed-test", "tcp://127.0.0.1:*"])
def test_what_the_kernel_looks_after_needs_no_lock(
    endpoint: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Abstract sockets and TCP make no file."""
    monkeypatch.chdir(tmp_path)
    with Held(endpoint):
        assert not list(tmp_path.iterdir())


def test_a_folder_that_cannot_be_written_is_named(tmp_path: Path) -> None:
    """No lock can be made there: refused in one line that names the file."""
    with pytest.raises(LinkTaken, match=r"missing/link.lock: No such file"):
        Held(f"ipc://{tmp_path}/missing/link")
