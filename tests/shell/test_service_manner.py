"""How the daemon behaves as a service: words to the manager, one daemon a thrower, a watchdog fed by moving loops."""

import asyncio
import contextlib
import os
import socket
from pathlib import Path

import pytest
import structlog

from drillfeed.daemon.shell import alive
from drillfeed.daemon.shell.instance_lock import AlreadyRunning, InstanceLock
from drillfeed.daemon.shell.logs import Unfailing
from drillfeed.daemon.shell.notify import Manager


def manager_socket(address: str) -> socket.socket:
    """Return the manager's end."""
    end = socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM)
    end.bind(address)
    end.setblocking(False)
    return end


def test_words_reach_the_manager(tmp_path: Path) -> None:
    """A named socket gets NAME=VALUE lines in one datagram."""
    with manager_socket(str(tmp_path / "notify")) as end:
        manager = Manager({"NOTIFY_SOCKET": str(tmp_path / "notify")})
        assert manager.tell(READY="1", STATUS="at rest")
        assert end.recv(1000) == b"READY=1\nSTATUS=at rest"


def test_an_abstract_socket_is_understood() -> None:
    """An address that begins with @ is an abstract one."""
    name = f"drillfeed-test-{os.getpid()}"
    with manager_socket(f"\0{name}") as end:
        assert Manager({"NOTIFY_SOCKET": f"@{name}"}).tell(WATCHDOG="1")
        assert end.recv(1000) == b"WATCHDOG=1"


@pytest.mark.parametrize("environ", [{}, {"NOTIFY_SOCKET": "/nowhere/at/all"}], ids=["none", "dead"])
def test_without_a_manager_nothing_is_said(environ: dict[str, str]) -> None:
    """No socket, or one where nobody listens: no error, and False."""
    assert Manager(environ).tell(READY="1") is False


@pytest.mark.parametrize(
    ("environ", "seconds"),
    [
        ({}, None),
        ({"WATCHDOG_USEC": "5000000"}, 5.0),
        ({"WATCHDOG_USEC": "5000000", "WATCHDOG_PID": str(os.getpid())}, 5.0),
        ({"WATCHDOG_USEC": "5000000", "WATCHDOG_PID": "1"}, None),
        ({"WATCHDOG_USEC": "0"}, None),
        ({"WATCHDOG_USEC": "soon"}, None),
    ],
)
def test_the_watchdog_time_is_the_managers(environ: dict[str, str], seconds: float | None) -> None:
    """The time is taken where it is meant for this process, and nothing else is."""
    assert Manager(environ).watchdog_s == seconds


def test_a_second_daemon_for_the_same_thrower_is_turned_away(tmp_path: Path) -> None:
    """The lock is held by one; the other is told whose process it is; another thrower has a lock of its own."""
    with InstanceLock(tmp_path, "club-build"):
        with pytest.raises(AlreadyRunning, match=str(os.getpid())):
            InstanceLock(tmp_path, "club-build")
        with InstanceLock(tmp_path, "kit-build"):
            pass
    with InstanceLock(tmp_path, "club-build"):
        pass


def test_the_watchdog_is_fed_only_while_every_loop_moves(tmp_path: Path) -> None:
    """Two loops that move: fed. One that stands still: not fed, however much the other moves."""
    counts = {"control": 0, "journal": 0}
    stuck: set[str] = set()

    async def story(end: socket.socket) -> tuple[int, int]:
        manager = Manager({"NOTIFY_SOCKET": str(tmp_path / "notify"), "WATCHDOG_USEC": "30000"})
        pulse = alive.Pulse({name: lambda name=name: counts[name] for name in counts})  # type: ignore[misc]
        task = asyncio.create_task(alive.feed(manager, pulse))

        async def heard() -> int:
            for _ in range(20):
                for name in counts.keys() - stuck:
                    counts[name] += 1
                await asyncio.sleep(0.005)
            fed = 0
            while True:
                try:
                    fed += end.recv(100) == b"WATCHDOG=1"
                except BlockingIOError:
                    return fed

        moving = await heard()
        stuck.add("journal")
        await heard()
        standing = await heard()
        task.cancel()
        return moving, standing

    with manager_socket(str(tmp_path / "notify")) as end:
        moving, standing = asyncio.run(story(end))
    assert moving > 0
    assert standing == 0


def test_the_unit_file_says_what_the_daemon_does() -> None:
    """The example unit is of type notify, has a watchdog, and waits longer than the last stop may take."""
    text = (Path(__file__).parents[2] / "examples" / "systemd" / "drillfeed.service").read_text(encoding="utf-8")
    settings = dict(line.split("=", 1) for line in text.splitlines() if "=" in line and not line.startswith("#"))
    assert settings["Type"] == "notify"
    assert int(settings["WatchdogSec"]) > 1
    assert int(settings["TimeoutStopSec"]) > 15


def test_a_disk_that_cannot_be_written_keeps_no_daemon_from_coming_up(tmp_path: Path) -> None:
    """Full: the process id goes missing, the lock does not. No lock file can be made: the folder itself is locked."""
    (tmp_path / "club-build.lock").symlink_to("/dev/full")
    (tmp_path / "kit-build.lock").mkdir()
    for machine in ("club-build", "kit-build"):
        with InstanceLock(tmp_path, machine), pytest.raises(AlreadyRunning, match=f"drives {machine}"):
            InstanceLock(tmp_path, machine)
        InstanceLock(tmp_path, machine).release()


def test_log_on_a_full_disk_is_lost_and_raises_nothing() -> None:
    """Who writes a line of the log goes on, whatever lies under it; without that, a line of the log is an error."""
    with contextlib.suppress(OSError), Path("/dev/full").open("w", buffering=1) as full:
        structlog.PrintLogger(Unfailing(full)).msg("not recorded")  # type: ignore[arg-type]
        with pytest.raises(OSError, match="No space left"):
            structlog.PrintLogger(full).msg("not recorded")
