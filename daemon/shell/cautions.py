"""Whether the cautions were acknowledged, kept from one start to the next, a machine a line."""

from pathlib import Path

FILE = "cautions-accepted"


def accepted(folder: Path, machine: str) -> bool:
    """Tell whether the cautions were acknowledged for this machine; unreadable counts as no."""
    try:
        return machine in (folder / FILE).read_text(encoding="utf-8").split()
    except (OSError, UnicodeDecodeError):
        return False


def keep(folder: Path, machine: str) -> bool:
    """Write down that they were; return whether that worked."""
    if accepted(folder, machine):
        return True
    try:
        folder.mkdir(parents=True, exist_ok=True)
        with (folder / FILE).open("a", encoding="utf-8") as file:
            file.write(machine + "\n")
    except OSError:
        return False
    return True
