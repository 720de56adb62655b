"""The board's firmware built for this computer, and one in virtual time as the wire of a `SerialBoard`.

Rule of this file: warnings are errors and both sanitizers are on; without a C compiler it says so, and fails under CI.
"""

import os
import shutil
import subprocess
import sys
import tempfile
from collections.abc import Callable
from functools import cache
from pathlib import Path
from types import TracebackType

import pytest

FIRMWARE = Path(__file__).parents[2] / "examples" / "firmware"
STRICT = ("-std=c99", "-pedantic", "-Wall", "-Wextra", "-Werror")
SANITIZERS = ("-O1", "-g", "-fsanitize=address,undefined", "-fno-sanitize-recover=all")


@cache
def firmware() -> Path:
    """Build the firmware with its host port, once a run; return the program."""
    compiler = shutil.which("gcc") or shutil.which("cc")
    if compiler is None:
        if os.environ.get("CI") == "true":
            pytest.fail("no C compiler here: the firmware was not built and not tried; install gcc")
        print("NO C COMPILER: THE FIRMWARE WAS NOT TRIED; install gcc", file=sys.stderr)
        pytest.skip("NO C COMPILER: the firmware was not tried; install gcc")
    program = Path(tempfile.mkdtemp(prefix="drillfeed-firmware-")) / "board-host"
    sources = [str(FIRMWARE / name) for name in ("board.c", "host_port.c")]
    command = [compiler, *STRICT, *SANITIZERS, *sources, "-o", str(program)]
    built = subprocess.run(command, capture_output=True, text=True, timeout=120)
    assert built.returncode == 0, built.stderr
    return program


class VirtualFirmware:
    """A firmware process whose time is the driver's: the board at the other end of a `Wire`, and what may befall it.

    `unplugged` closes the line, `bend_in` and `bend_out` change bytes on their way to the driver and to the board.
    """

    def __init__(self, *words: str, log: Path | None = None) -> None:
        self._words = [*words, *(("--log", str(log)) if log else ())]
        self.boots = 0
        self.unplugged = False
        self.trouble = "pulled out by the test"
        self.bend_in: Callable[[bytes], bytes] = lambda data: data
        self.bend_out: Callable[[bytes], bytes] = lambda data: data
        self.sent: list[bytes] = []
        self._to_board = b""
        self._last_s: float | None = None
        self._process: subprocess.Popen[bytes] | None = None
        self.power_up()

    def power_up(self) -> None:
        """Begin the board anew, with a boot number of its own; whatever turned stands."""
        self._end()
        self.boots += 1
        self._process = subprocess.Popen(
            [str(firmware()), "--virtual", "--boot", str(self.boots), *self._words],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
        )

    def receive(self, now: float) -> bytes | None:
        """Let the board go on until `now`; return what it said."""
        ms = 0 if self._last_s is None else round((now - self._last_s) * 1000)
        self._last_s = now if self._last_s is None else self._last_s + ms / 1000
        data = self.run(ms)
        return None if self.unplugged else self.bend_in(data)

    def run(self, ms: int) -> bytes:
        """Give the board its bytes, let so many milliseconds pass, return what it said."""
        assert self._process is not None and self._process.stdin is not None and self._process.stdout is not None
        self._process.stdin.write(self._to_board + b"\n@%d\n" % ms)
        self._process.stdin.flush()
        self._to_board = b""
        said = b""
        while (line := self._process.stdout.readline()) != b"@\n":
            assert line, "the firmware has ended"
            said += line
        return said

    def send(self, data: bytes) -> None:
        """Put bytes on their way to the board."""
        if not self.unplugged:
            self.sent.append(data)
            self._to_board += self.bend_out(data)

    def close(self) -> None:
        """Leave the board alone: a driver lets go of its line."""

    def _end(self) -> None:
        if self._process is not None:
            self._process.communicate(timeout=20)
            assert self._process.returncode == 0, "a sanitizer stopped the firmware, or it failed"

    def __enter__(self) -> "VirtualFirmware":
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._end()
