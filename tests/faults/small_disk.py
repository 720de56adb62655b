"""`python -m tests.faults.small_disk KB MODE serve ...`: the shipped daemon with its state folder on a disk of its own.

The disk is a tmpfs of KB kilobytes, mounted over `$XDG_STATE_HOME/drillfeed` in a user and mount namespace of the
daemon alone (`unshare -rm`), so no right of the machine is needed and nothing outside sees it. MODE: `rw` or `ro`.
`Disk` reaches it from outside while the daemon lives: by /proc/PID/root, and by `nsenter` to mount it anew.
"""

import os
import subprocess
import sys
from pathlib import Path

INSIDE = "--inside"
BLOCK_BYTES = 4096


def permitted() -> bool:
    """Tell whether this system lets us have a namespace with a disk of our own in it."""
    try:
        tried = subprocess.run(["unshare", "-rm", "mount", "-t", "tmpfs", "tmpfs", "/tmp"], capture_output=True)
    except OSError:
        return False
    return tried.returncode == 0


class Disk:
    """The disk of a daemon that runs, from outside."""

    def __init__(self, pid: int, folder: Path) -> None:
        self._pid, self._folder = pid, folder
        self.seen = Path(f"/proc/{pid}/root") / folder.relative_to("/")
        self._filler = self.seen / "filler"

    def fill(self) -> int:
        """Write until nothing more goes; return the bytes that are left."""
        with self._filler.open("ab", buffering=0) as file:
            try:
                while True:
                    file.write(bytes(BLOCK_BYTES))
            except OSError:
                return self.left()

    def make_room(self) -> None:
        """Remove what `fill` wrote."""
        self._filler.unlink()

    def left(self) -> int:
        """Return how many bytes are free."""
        found = os.statvfs(self.seen)
        return found.f_bavail * found.f_frsize

    def mount_anew(self, mode: str) -> None:
        """Mount the disk `ro` or `rw`; raises CalledProcessError."""
        inside = ["nsenter", "-t", str(self._pid), "-U", "-m", "--preserve-credentials"]
        subprocess.run([*inside, "mount", "-o", f"remount,{mode}", str(self._folder)], check=True, capture_output=True)


def main() -> int:
    """Go into the namespace, mount the disk, then run the command line that follows."""
    words = sys.argv[1:]
    if words[0] != INSIDE:
        # The process stays the same one, so that the bench's signals reach the daemon.
        os.execvp("unshare", ["unshare", "-rm", sys.executable, "-m", "tests.faults.small_disk", INSIDE, *words])
    size_kb, mode, command = words[1], words[2], words[3:]
    folder = Path(os.environ["XDG_STATE_HOME"]) / "drillfeed"
    folder.mkdir(exist_ok=True)
    subprocess.run(["mount", "-t", "tmpfs", "-o", f"size={size_kb}k,{mode}", "tmpfs", str(folder)], check=True)
    from drillfeed.daemon.cli import main as run

    return run(command)


if __name__ == "__main__":
    sys.exit(main())
