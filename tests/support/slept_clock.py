"""A computer that sleeps, for one process: a shim preloaded into it shifts the clock that counts sleep, and no other.

Rule of this file: without a C compiler it says so, and fails under CI.
"""

import shutil
import struct
import subprocess
import tempfile
from functools import cache
from pathlib import Path

from tests.support.other_languages import absent

SOURCE = Path(__file__).with_suffix(".c")
STRICT = ("-std=c11", "-Wall", "-Wextra", "-Werror", "-O1", "-shared", "-fPIC")


@cache
def shim() -> Path:
    """Build the shim, once a run; return the library."""
    compiler = shutil.which("gcc") or shutil.which("cc")
    if compiler is None:
        absent("no C compiler", "install gcc")
    library = Path(tempfile.mkdtemp(prefix="drillfeed-slept-clock-")) / "slept_clock.so"
    built = subprocess.run(
        [compiler, *STRICT, str(SOURCE), "-o", str(library)], capture_output=True, text=True, timeout=120
    )
    assert built.returncode == 0, built.stderr
    return library


class SleptClock:
    """The clock of one process: its environment, and how long its computer has slept."""

    def __init__(self, file: Path) -> None:
        self._file, self._slept_s = file, 0.0
        self.sleep(0.0)

    @property
    def environment(self) -> dict[str, str]:
        """Return what the process is to be started with."""
        # A program with a sanitizer of its own wants to be first; it works behind the shim as well.
        first = {"ASAN_OPTIONS": "verify_asan_link_order=0"}
        return {"LD_PRELOAD": str(shim()), "DRILLFEED_SLEPT_CLOCK": str(self._file), **first}

    def sleep(self, seconds: float) -> None:
        """Let the computer have slept for so long, just now."""
        self._slept_s += seconds
        mode = "r+b" if self._file.exists() else "wb"
        with self._file.open(mode) as file:
            file.write(struct.pack("d", self._slept_s))
