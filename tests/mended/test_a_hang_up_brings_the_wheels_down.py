"""Closing the terminal under a command does what SIGTERM does: wheels come down in order, and the command leaves.

These run as real processes on pseudo-terminals that are closed under them.
"""

import re
import signal
import subprocess
import sys
import time
from collections.abc import Callable
from contextlib import ExitStack
from pathlib import Path
from typing import Any

import pytest
import zmq

from drillfeed.daemon.demo.processes import free_ports
from drillfeed.protocol import link
from tests.faults.__main__ import run_one
from tests.faults.bench import Bench
from tests.faults.boards import BOARDS, USUAL, WHICH
from tests.faults.processes import daemon_hung_up, driver_hung_up
from tests.faults.verdict import Scenario, Seen
from tests.shell.fake_desk import FakeDesk, serving
from tests.subcommands.test_jog_on_a_terminal import serving_at
from tests.support.driver_log import read_log, times
from tests.support.other_languages import free_port
from tests.support.recorded import recorded_drill
from tests.support.terminal import OnTerminal

DRILLFEED = (sys.executable, "-m", "drillfeed.daemon.cli")
STOP_READ_S = 1.0
LEAVES_S = 20.0
LAST_SAMPLE_RPM = 200.0


def at_rest(log: list[dict[str, Any]]) -> bool:
    """Tell whether the outputs have come to zero: a log has a sample each 20 ms until then, at up to 9,500 rpm/s."""
    wheels = [event for event in log if event["event"] == "wheels"]
    return bool(wheels) and max(wheels[-1]["top_out_rpm"], wheels[-1]["bottom_out_rpm"]) < LAST_SAMPLE_RPM


def driven(machine: str, endpoint: str, log: Path) -> "subprocess.Popen[bytes]":
    """Start a simulated driver that outlives the terminal of what it is tried with."""
    words = ("drive", "simulated", "--link", endpoint, "--machine", machine, "--log", str(log))
    return subprocess.Popen([*DRILLFEED, *words], start_new_session=True)


def end(process: "subprocess.Popen[bytes]") -> None:
    """End a process of ours."""
    process.terminate()
    process.wait(LEAVES_S)


def until(true: Callable[[], bool], max_s: float = LEAVES_S) -> None:
    """Wait until something is true; fail after `max_s`."""
    end_s = time.monotonic() + max_s
    while not true():
        assert time.monotonic() < end_s
        time.sleep(0.01)


def held(run: Callable[[], Seen]) -> None:
    """Run a scenario of the fault bench on the terminals of real processes: it holds, or the machine itself stalled."""
    row = run_one(Scenario(run.__name__, "", "", run))
    assert row.verdict != "fails", row.seen
    if row.verdict == "inconclusive":
        pytest.xfail(f"the machine stalled: {row.seen}")


def test_serve_stops_and_waits_for_the_wheels() -> None:
    """The stop is read at once, wheels are down before the daemon leaves, and a second hang-up cuts nothing short."""
    held(daemon_hung_up)


@pytest.mark.parametrize(
    "board", [USUAL, *(pytest.param(name, marks=pytest.mark.slow) for name in BOARDS if name != USUAL)]
)
def test_a_driver_takes_the_power_from_all_it_drives(board: str, monkeypatch: pytest.MonkeyPatch) -> None:
    """Each shipped driver ends in order: its log has its `end`, no feed comes after it, and it leaves with 0."""
    BOARDS[board].build()
    monkeypatch.setenv(WHICH, board)
    held(driver_hung_up)


def test_the_driver_in_ten_minutes_ends_in_order(tmp_path: Path) -> None:
    """The program printed in LINK.md cuts its outputs and leaves with 0, though its board prints to the terminal."""
    (program,) = re.findall(r"```python\n(.*?)```", Path(link.__file__).with_name("LINK.md").read_text(), re.DOTALL)
    with zmq.Context() as context, context.socket(zmq.ROUTER) as daemon:
        port = daemon.bind_to_random_port("tcp://127.0.0.1")
        (tmp_path / "my_driver.py").write_text(program.replace("7411", str(port)))
        with OnTerminal(sys.executable, str(tmp_path / "my_driver.py")) as driver:
            driver.until(lambda: daemon.poll(0) != 0)
            driver.hang_up()
            assert driver.left(LEAVES_S) == 0


@pytest.mark.parametrize("name", ["daemon", "driver"])
def test_a_hang_up_that_was_ignored_at_the_start_stays_ignored(name: str, tmp_path: Path) -> None:
    """Under nohup a closed terminal ends neither daemon nor driver; SIGTERM does, with 0."""
    tcp, port = free_ports(2)
    endpoint = f"tcp://127.0.0.1:{port}"
    serve = ("serve", "--listen", f"127.0.0.1:{tcp}", "--link", endpoint, "--observe", "tcp://127.0.0.1:*")
    drive = ("drive", "simulated", "--link", endpoint, "--log", str(tmp_path / "driver.jsonl"))
    environment = {"XDG_STATE_HOME": str(tmp_path), "XDG_RUNTIME_DIR": str(tmp_path)}
    words = {"daemon": serve, "driver": drive}[name]
    with OnTerminal(*DRILLFEED, *words, environment=environment, nohup=True) as program:
        if name == "daemon":
            program.until(lambda: "comes up at rest" in program.text)
        else:
            program.until(lambda: bool(read_log(tmp_path / "driver.jsonl")))
        program.hang_up()
        with pytest.raises(subprocess.TimeoutExpired):
            program.left(1.0)
        program.process.terminate()
        assert program.left(LEAVES_S) == 0


# Clients of the daemon: words, the state of the desk, what is typed, what is on the screen then, what must be sent.
CLIENTS = {
    "keyboard": (("keyboard",), "FEEDING", "", "FEEDING", ["stop"]),
    "prompt": (("prompt",), "FEEDING", "balls 3\n", "done balls", ["stop"]),
    "prompt --plain": (("prompt", "--plain"), "FEEDING", "balls 3\n", "done balls", ["stop"]),
    "pedal": (("pedal",), "FEEDING", "", "FEEDING for", ["pause"]),
    "watch": (("watch",), "FEEDING", "", "FEEDING", []),
    "calibrate --live": (("calibrate", "marks.csv", "--live"), "ARMED", "", "Enter throws it", ["stop"]),
}


@pytest.mark.parametrize("number", [signal.SIGHUP, signal.SIGTERM], ids=["hang-up", "SIGTERM"])
@pytest.mark.parametrize("name", CLIENTS)
def test_a_client_leaves_in_order(
    name: str, number: signal.Signals, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Who steers stops or pauses what runs, who only looks on changes nothing; none dies of the signal."""
    monkeypatch.chdir(tmp_path)
    words, state, typed, shown, told = CLIENTS[name]
    desk = FakeDesk(state=state)
    with serving(desk) as to, OnTerminal(*DRILLFEED, *words, "--to", to) as program:
        program.type(typed)
        program.until(lambda: shown in program.text)
        if number == signal.SIGHUP:
            program.hang_up()
        else:
            program.process.send_signal(number)
        code = program.left(LEAVES_S)
        until(lambda: [verb for verb in desk.order if verb in ("stop", "pause")] == told)
    assert code == (1 if name == "calibrate --live" else 0)


def test_jog_stops_and_leaves_set_up(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A hang-up under jog is a stop first, then the end of set-up."""
    monkeypatch.delenv("SSH_CONNECTION", raising=False)
    desk = FakeDesk(state="SETUP")
    words = ("jog", "top", "400", "--to", str(tmp_path / "drillfeed.sock"))
    with serving_at(tmp_path / "drillfeed.sock", desk), OnTerminal(*DRILLFEED, *words) as program:
        program.until(lambda: "hold for top" in program.text)
        program.hang_up()
        assert program.left(LEAVES_S) == 0
    assert desk.order == ["setup", "stop", "setup"]


def test_the_phone_page_and_its_recording_end(tmp_path: Path) -> None:
    """The bridge of the phone closes in order, and a recording under way is kept whole with its last line told."""
    out = tmp_path / "saturday.jsonl"
    observed = f"tcp://127.0.0.1:{free_ports(1)[0]}"
    hall, _ = recorded_drill(1)
    context: zmq.Context[zmq.Socket[bytes]] = zmq.Context()
    with Bench() as bench, ExitStack() as stack:
        bench.ready()
        stack.callback(context.term)
        stream = stack.enter_context(context.socket(zmq.PUB))
        stream.bind(observed)
        record = stack.enter_context(OnTerminal(*DRILLFEED, "record", "--observe", observed, "--out", str(out)))
        phone = stack.enter_context(
            OnTerminal(*DRILLFEED, "phone", "--to", bench.address, "--on", f"127.0.0.1:{free_ports(1)[0]}")
        )

        def recorded() -> bool:
            stream.send_multipart(hall.stream[0][1])
            return out.exists() and out.read_text().count("\n") > 3

        record.until(recorded)
        phone.until(lambda: "code " in phone.text)
        for program in (record, phone):
            program.hang_up()
        assert [program.left(LEAVES_S) for program in (record, phone)] == [0, 0]
    assert out.read_text().endswith("\n")


def test_replay_brings_the_wheels_down(tmp_path: Path) -> None:
    """A replay that loses its terminal sends stop, and leaves when the wheels stand."""
    recording, log = tmp_path / "drill.jsonl", tmp_path / "driver.jsonl"
    recording.write_text("".join(recorded_drill(4)[1]))
    endpoint = f"tcp://127.0.0.1:{free_port()}"
    with OnTerminal(*DRILLFEED, "replay", str(recording), "--link", endpoint, "--yes") as program:
        driver = driven("club-build", endpoint, log)
        try:
            program.until(lambda: bool(fast(log)))
            at_s = program.hang_up()
            assert program.left(LEAVES_S) == 1
            assert times(read_log(log), "stop", at_s)[0] < at_s + STOP_READ_S
            assert at_rest(read_log(log))
        finally:
            end(driver)


def fast(log: Path) -> list[dict[str, Any]]:
    """Return the samples of a driver's log in which a wheel is driven at more than 400 rpm."""
    return [event for event in read_log(log) if event["event"] == "wheels" and event["top_out_rpm"] > 400]


@pytest.mark.parametrize("number", [signal.SIGHUP, signal.SIGTERM], ids=["hang-up", "SIGTERM"])
def test_the_probe_parts_with_a_stop(number: signal.Signals, tmp_path: Path) -> None:
    """A probe that is ended while wheels turn stops the driver, which need not trip by itself."""
    log = tmp_path / "driver.jsonl"
    endpoint = f"tcp://127.0.0.1:{free_port()}"
    with OnTerminal(
        *DRILLFEED, "probe-driver", "--link", endpoint, "--yes", "--only", "reaches", "held-back"
    ) as program:
        driver = driven("club-build", endpoint, log)
        try:
            program.until(
                lambda: any(event["event"] == "wheels" and event["top_out_rpm"] > 0 for event in read_log(log))
            )
            if number == signal.SIGHUP:
                at_s = program.hang_up()
            else:
                at_s = time.monotonic()
                program.process.send_signal(number)
            program.left(LEAVES_S)
            until(lambda: bool(times(read_log(log), "stop", at_s)), 3.0)
            assert times(read_log(log), "stop", at_s)[0] < at_s + STOP_READ_S
        finally:
            end(driver)


@pytest.mark.slow
def test_the_demo_stops_first(tmp_path: Path) -> None:
    """The demo stops its thrower, waits for the wheels, and leaves neither daemon nor driver behind."""
    environment = {"TMPDIR": str(tmp_path), "XDG_RUNTIME_DIR": str(tmp_path)}
    with OnTerminal(*DRILLFEED, "demo", "--balls", "40", environment=environment) as program:
        program.until(lambda: "FEEDING" in program.text, 60.0)
        with next(tmp_path.glob("drillfeed-demo-*/driver.jsonl")).open("rb") as file:  # readable when it is gone
            at_s = program.hang_up()
            code = program.left(60.0)
            kept = tmp_path / "kept.jsonl"
            kept.write_bytes(file.read())
    log = read_log(kept)
    assert code == 1
    assert times(log, "stop", at_s)[0] < at_s + 2 * STOP_READ_S
    assert at_rest(log)
    assert log[-1]["event"] == "end", "the driver was left running"
    assert not list(tmp_path.glob("drillfeed-demo-*"))


SIGNALLED = """\
import signal, sys
import drillfeed.daemon.subcommands.list as shown
from drillfeed.daemon.cli import main
signal.signal(signal.SIGHUP, signal.SIG_DFL)
shown.run = lambda args: signal.raise_signal(int(sys.argv[1]))
sys.exit(main(["list", "drills"]))
"""


@pytest.mark.parametrize(("number", "status"), [(signal.SIGTERM, 143), (signal.SIGHUP, 129)])
def test_every_subcommand_is_interrupted_in_order(number: signal.Signals, status: int) -> None:
    """Whatever the sub-command, and those to come: both signals unwind it as Ctrl-C does, with the usual status."""
    ended = subprocess.run([sys.executable, "-c", SIGNALLED, str(int(number))], capture_output=True, timeout=60)
    assert (ended.returncode, ended.stderr) == (status, b"")
