"""Which test files run on the real clock: they start processes or threads, or wait, and judge by time.

Rule of this file: a file is known by what it imports, so that no list has to be kept. A file that allows many times
what it takes says so by the mark `patient`, and is treated as any other.
"""

import re
from functools import cache
from pathlib import Path

ROOT = Path(__file__).parents[2]
GROUP = "on the real clock"
STARTS_OR_WAITS = re.compile(
    r"^(?:import|from) (?:asyncio|subprocess|threading|time"
    r"|drillfeed\.daemon\.demo\.(?:processes|real)"
    r"|tests\.faults|tests\.shell\.fake_desk|tests\.support\.(?:other_languages|phone_rig|terminal))\b",
    re.MULTILINE,
)
PATIENT = re.compile(r"^pytestmark = pytest\.mark\.patient$", re.MULTILINE)


@cache
def on_the_real_clock(file: Path) -> bool:
    """Tell whether a test file imports what starts processes or threads, or waits, and isn't patient."""
    text = file.read_text(encoding="utf-8")
    return STARTS_OR_WAITS.search(text) is not None and PATIENT.search(text) is None


def work_unit(nodeid: str) -> str:
    """Return what a test is handed out with: its file, or all files on the real clock together."""
    file = nodeid.split("::", 1)[0]
    return GROUP if on_the_real_clock(ROOT / file) else file
