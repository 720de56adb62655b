"""Whether the cautions were acknowledged, kept from one start to the next, one line for each machine."""

from pathlib import Path

from drillfeed.daemon.files import NoFile, read_text, write_whole
from drillfeed.daemon.validation import InvalidFile

FILE = "cautions-accepted"


def accepted(folder: Path, machine: str) -> bool:
    """Tell whether the cautions were acknowledged for this machine; raise InvalidFile if that can't be read."""
    return machine in _machines(folder)


def keep(folder: Path, machine: str) -> bool:
    """Write down that the cautions were acknowledged; return whether that worked."""
    try:
        known = _machines(folder)
    except InvalidFile:
        known = []
    if machine in known:
        return True
    try:
        write_whole(folder / FILE, "".join(f"{name}\n" for name in (*known, machine)))
    except OSError:
        return False
    return True


def _machines(folder: Path) -> list[str]:
    try:
        return read_text(folder / FILE, own=True).split()
    except NoFile:
        return []
