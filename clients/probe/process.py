"""The driver's process as the system sees it: whether it catches a hang-up, and whether it still runs.

Rule of this file: it only looks; what can't be read is not known. Linux only, because it reads /proc.
"""

import os
import signal
from pathlib import Path

from drillfeed.clients.probe.bench import MeetsHangUp


def meets_hang_up(pid: int) -> MeetsHangUp:
    """Tell what a process does with SIGHUP (proc(5), SigCgt and SigIgn of /proc/PID/status)."""
    try:
        lines = Path(f"/proc/{pid}/status").read_text(encoding="ascii", errors="replace").splitlines()
        masks = {name: int(mask, 16) for name, _, mask in (line.partition(":") for line in lines) if name in MASKS}
    except (OSError, ValueError):
        return "unknown"
    for name, met in MASKS.items():
        if masks.get(name, 0) >> (signal.SIGHUP - 1) & 1:
            return met
    return "not caught"


MASKS: dict[str, MeetsHangUp] = {"SigCgt": "caught", "SigIgn": "ignored"}


def gone(pid: int) -> bool:
    """Tell whether a process has ended, even if its parent has not collected it yet."""
    try:
        state = Path(f"/proc/{pid}/stat").read_text(encoding="ascii", errors="replace").rpartition(")")[2].split()
        return state[0] in ("Z", "X")
    except FileNotFoundError:
        pass
    try:
        os.kill(pid, 0)
    except ProcessLookupError:
        return True
    return False
