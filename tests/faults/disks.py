"""A disk that is truly full, and one that is read-only: practice goes on, and is written down once there is room.

Rule of this file: the disk is a real one of the daemon's own (`small_disk.py`). Where the system permits none, that is
told and counts as failed; what stands in for it anywhere is a limit on the daemon's files (`files-refused`).
"""

import contextlib
import os
import resource
import shutil
import tempfile
import time
from collections import Counter
from collections.abc import Callable
from pathlib import Path

from drillfeed.clients.lines import Client
from drillfeed.daemon.journal.schema import open_to_write
from tests.faults.bench import Bench
from tests.faults.small_disk import Disk, permitted
from tests.faults.verdict import Account, Scenario, Seen
from tests.support.driver_log import times

SIZE_KB = 1024
BALLS, FED_BEFORE, FED_WITHOUT_ROOM = 12, 2, 6
RECORDED_S = 10.0
OVER_S = 60.0
NOT_TRIED = "NOT TRIED: this system permits no disk of our own (unshare -rm)"


def disk_full() -> Seen:
    """Fill the disk in mid-drill, and make room again before it is over."""
    if not permitted():
        return Seen(NOT_TRIED, "fails")
    with Bench(daemon=("tests.faults.small_disk", str(SIZE_KB), "rw")) as bench:
        client = bench.feeding(fed=FED_BEFORE, balls=BALLS)
        disk = _disk(bench)
        full_s = time.monotonic()
        left = disk.fill()
        account = Account(bench)
        account.true("no room", left == 0, f"{left} of {SIZE_KB * 1024} bytes left")
        return _practice_without_room(bench, client, account, full_s, disk.make_room, disk.seen)


def disk_read_only() -> Seen:
    """Come up on a read-only disk, practise, and have it mounted for writing in mid-drill."""
    if not permitted():
        return Seen(NOT_TRIED, "fails")
    with Bench(daemon=("tests.faults.small_disk", str(SIZE_KB), "ro")) as bench:
        _accept_cautions(bench)
        client = bench.feeding(fed=FED_BEFORE, balls=BALLS)
        disk = _disk(bench)
        account = Account(bench)
        account.true("read-only", bool(os.statvfs(disk.seen).f_flag & os.ST_RDONLY))
        began_s = float("-inf")
        return _practice_without_room(bench, client, account, began_s, lambda: disk.mount_anew("rw"), disk.seen)


def files_refused() -> Seen:
    """Let the daemon write to no file at all for a while, its own log among them, by a limit on their size."""
    with Bench() as bench:
        client = bench.feeding(fed=FED_BEFORE, balls=BALLS)
        pid = bench.processes["daemon"].pid
        before = resource.prlimit(pid, resource.RLIMIT_FSIZE)
        refused_s = time.monotonic()
        resource.prlimit(pid, resource.RLIMIT_FSIZE, (0, before[1]))

        def make_room() -> None:
            resource.prlimit(pid, resource.RLIMIT_FSIZE, before)

        folder = bench.folder / "drillfeed"
        return _practice_without_room(bench, client, Account(bench), refused_s, make_room, folder)


def _practice_without_room(
    bench: Bench, client: Client, account: Account, from_s: float, make_room: Callable[[], None], folder: Path
) -> Seen:
    """Go on throwing while nothing can be written, make room, and hold the journal against the driver's log."""
    bench.until_fed(FED_WITHOUT_ROOM)
    warning = _unrecorded(client)
    account.true("says what is not recorded", "not recorded yet" in warning, warning)
    thrown, kept = _fed(bench), _recorded(folder)
    account.true("not on disk yet", len(kept) < len(thrown), f"{len(kept)} of {len(thrown)}")
    account.true("balls fed without room", len(times(bench.log(), "feed", from_s)) >= FED_WITHOUT_ROOM - FED_BEFORE)
    make_room()
    bench.wait(lambda: client.snapshot().state == "ARMED", OVER_S, "over")
    thrown = _fed(bench)
    account.true("balls fed", len(thrown) == BALLS, len(thrown))
    with contextlib.suppress(TimeoutError):
        _wait(lambda: _recorded(folder).keys() == thrown and not _unrecorded(client))
    kept = _recorded(folder)
    account.true("all recorded", kept.keys() == thrown, f"{len(kept)} of {len(thrown)}")
    account.true("none doubled", all(count == 1 for count in kept.values()))
    account.true("warns no more", not _unrecorded(client), _unrecorded(client) or None)
    return account.seen()


def _disk(bench: Bench) -> Disk:
    return Disk(bench.processes["daemon"].pid, bench.folder / "drillfeed")


def _accept_cautions(bench: Bench) -> None:
    """A disk that is read-only from the start holds no word of an earlier acknowledgement."""
    bench.ready().cautions()


def _unrecorded(client: Client) -> str:
    return "; ".join(text for text in client.snapshot().warnings if "not recorded" in text)


def _fed(bench: Bench) -> set[int]:
    return {event["id"] for event in bench.log() if event["event"] == "feed"}


def _recorded(folder: Path) -> Counter[int]:
    """Return how often each feed stands in the journal; nothing where there is none yet.

    A copy is read: SQLite follows links by name, so it does not find its way along /proc into another namespace.
    """
    with tempfile.TemporaryDirectory() as copy:
        for name in ("journal.sqlite", "journal.sqlite-wal"):
            if (folder / name).exists():
                shutil.copy(folder / name, copy)
        with contextlib.closing(open_to_write(Path(copy) / "journal.sqlite")) as connection:
            return Counter(row[0] for row in connection.execute("SELECT feed_id FROM throws WHERE outcome = 'fed'"))


def _wait(done: Callable[[], bool]) -> None:
    end_s = time.monotonic() + RECORDED_S
    while not done():
        if time.monotonic() > end_s:
            raise TimeoutError
        time.sleep(0.1)


SCENARIOS = (
    Scenario(
        "disk-full",
        "the daemon's disk (a tmpfs of its own) filled to the last block in mid-drill, then room made",
        "the drill goes on; says what is not recorded; then all recorded, none doubled",
        disk_full,
    ),
    Scenario(
        "disk-read-only",
        "the daemon's disk read-only at the start, mounted for writing in mid-drill",
        "comes up, the drill goes on; says what is not recorded; then all recorded, none doubled",
        disk_read_only,
    ),
    Scenario(
        "files-refused",
        "no file of the daemon may be written for a while, its own log among them (a limit on file size)",
        "the drill goes on; says what is not recorded; then all recorded, none doubled",
        files_refused,
    ),
)
