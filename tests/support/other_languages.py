"""The example drivers in other languages: built and started as an integrator would, and the probe on a free port.

Rule of this file: where a tool is absent it says so; nothing passes in silence. For C that fails under CI. The
JavaScript driver needs a package from a registry, which tests do not fetch: without it, it is said aloud, no more.
"""

import json
import os
import shutil
import subprocess
import sys
import tempfile
from functools import cache
from pathlib import Path
from typing import Any, NoReturn

import pytest
import zmq

DRIVERS = Path(__file__).parents[2] / "examples" / "drivers"
MODULES_VARIABLE = "DRILLFEED_NODE_MODULES"
BUILD_S, PROBE_S, END_S = 120.0, 240.0, 5.0


def absent(what: str, install: str) -> NoReturn:
    """Say which tool is not here and what was therefore not tried; fail under CI."""
    told = f"{what}: NOT TRIED; {install}"
    if os.environ.get("CI") == "true":
        pytest.fail(told)
    print(told.upper(), file=sys.stderr)
    pytest.skip(told)


@cache
def c_driver() -> Path:
    """Build the C driver by its Makefile, warnings as errors, both sanitizers on; return the program."""
    compiler = shutil.which("cc") or shutil.which("gcc")
    if compiler is None or shutil.which("make") is None:
        absent("no C compiler or no make", "install gcc and make")
    header = subprocess.run(
        [compiler, "-E", "-include", "zmq.h", "-x", "c", os.devnull], capture_output=True, timeout=60
    )
    if header.returncode != 0:
        absent("no zmq.h", "install libzmq3-dev")
    folder = Path(tempfile.mkdtemp(prefix="drillfeed-c-driver-"))
    for path in (DRIVERS / "c").iterdir():
        if path.is_file():
            shutil.copy(path, folder)
    built = subprocess.run(["make", "checked"], cwd=folder, capture_output=True, text=True, timeout=BUILD_S)
    assert built.returncode == 0, built.stderr
    assert not built.stderr, built.stderr
    return folder / "checked"


@cache
def node_driver() -> tuple[str, str]:
    """Return the command that starts the JavaScript driver, where node and its one package are here.

    The package is looked for beside the driver, or in the folder that `DRILLFEED_NODE_MODULES` names.
    """
    node, sources = shutil.which("node"), DRIVERS / "node"
    modules = Path(os.environ.get(MODULES_VARIABLE) or sources / "node_modules").resolve()
    if node is None or not (modules / "zeromq").is_dir():
        told = (
            "JAVASCRIPT DRIVER NOT TRIED: needs node, and its one package: npm install --ignore-scripts in a copy of "
            f"examples/drivers/node, then {MODULES_VARIABLE}=THAT/node_modules"
        )
        print(told, file=sys.stderr)
        pytest.skip(told)
    folder = Path(tempfile.mkdtemp(prefix="drillfeed-node-driver-"))
    for path in sources.iterdir():
        if path.is_file():
            shutil.copy(path, folder)
    (folder / "node_modules").symlink_to(modules)
    return node, str(folder / "main.mjs")


def free_port() -> int:
    """Return a port of the loopback that nothing listens on."""
    with zmq.Context() as context, context.socket(zmq.ROUTER) as socket:
        return socket.bind_to_random_port("tcp://127.0.0.1")


class Probing:
    """One driver process and the probe on it, both running until `verdict` is asked for."""

    def __init__(self, *command: str, more: tuple[str, ...] = (), probe_words: tuple[str, ...] = ()) -> None:
        endpoint = f"tcp://127.0.0.1:{free_port()}"
        self._driver = subprocess.Popen([*command, endpoint, *more], stderr=subprocess.PIPE, text=True)
        words = ["-m", "drillfeed.daemon.cli", "probe-driver", "--link", endpoint, "--yes", "--feed", "--json"]
        pid = ["--pid", str(self._driver.pid)]
        self._probe = subprocess.Popen(
            [sys.executable, *words, *pid, *probe_words], stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True
        )

    def verdict(self) -> tuple[int, dict[str, Any], int, str]:
        """Return the probe's exit status and finding, and the exit status and last words of the driver."""
        try:
            told, _ = self._probe.communicate(timeout=PROBE_S)
            self._driver.terminate()
            _, last_words = self._driver.communicate(timeout=END_S)
        finally:
            self.end()
        return self._probe.returncode, json.loads(told), self._driver.returncode, last_words

    def end(self) -> None:
        """End what still runs."""
        for process in (self._probe, self._driver):
            if process.poll() is None:
                process.kill()
                process.communicate()
