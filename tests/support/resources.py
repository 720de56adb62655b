"""What a process holds: memory and file handles, from Linux's /proc."""

from pathlib import Path


def held_by(pid: int) -> tuple[int, int]:
    """Return resident memory in kB and the number of open file handles of a process."""
    status = Path(f"/proc/{pid}/status").read_text(encoding="ascii", errors="replace")
    memory = next(int(line.split()[1]) for line in status.splitlines() if line.startswith("VmRSS"))
    return memory, len(list(Path(f"/proc/{pid}/fd").iterdir()))
