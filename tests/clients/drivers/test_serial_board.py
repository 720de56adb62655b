"""The serial board under the shipped adapter and daemon, with the shipped C firmware, all on a virtual clock."""

import json
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from drillfeed.clients.drivers.adapter import DriverCore
from drillfeed.clients.drivers.board import DriverTraits
from drillfeed.clients.drivers.duty import DutyTable, table_of
from drillfeed.clients.drivers.serial_board import SerialBoard
from drillfeed.clients.drivers.serial_lines import line, words_of
from drillfeed.daemon.boards import driver_traits
from tests.support.firmware import VirtualFirmware
from tests.support.halls import WatchedHall, drill_plan, machine

# The host port's motor: 7,200 rpm at full duty, and its supply.
HOST_FREE_RPM, HOST_SUPPLY_V = 7200.0, 12.4
DUTY = {wheel: table_of(HOST_SUPPLY_V, (0.0, 1.0), (0.0, HOST_FREE_RPM)) for wheel in ("top", "bottom")}


@dataclass
class SerialHall:
    """A hall whose driver stands on the firmware."""

    board: VirtualFirmware
    folder: Path
    profile: str = "club-build"
    duty: dict[str, DutyTable] | None = None
    log: list[dict[str, Any]] = field(init=False)

    def __post_init__(self) -> None:
        self.watched = WatchedHall(machine(self.profile))
        self.hall, self.log = self.watched.hall, self.watched.log
        self.log.clear()
        traits: DriverTraits = driver_traits(self.watched.on, "serial", simulated=False)
        self.serial = SerialBoard(traits, self.board, self.duty, self.hall.note)
        self.hall.core = DriverCore(traits, self.serial, "serial-boot", self.hall.driver_s, self.hall.note)
        self.watched.ready()
        self.hall.run_for(1.0)
        self.watched.ok("cautions accept")

    def feeding(self, balls: int, fed: int = 2) -> "SerialHall":
        """Go on until so many balls of a drill are fed."""
        self.watched.ok("load a-drill", drill_plan(self.watched.on, sets=(balls,)))
        self.watched.ok("arm")
        self.watched.ok(f"start {self.watched.engine.parts.mode.stop_count}")
        assert self.hall.run_until(lambda: self.watched.commanded >= fed, 60.0), self.watched.engine.parts.mode.fault
        return self

    def to_the_end(self) -> "SerialHall":
        """Go on until the drill is over."""
        assert self.hall.until_state("ARMED", "FAULT", max_s=120.0)
        return self

    def board_log(self) -> list[dict[str, Any]]:
        """Return the log of the board itself."""
        return [json.loads(line) for line in (self.folder / "board.jsonl").read_text().splitlines()]

    def count(self, event: str) -> int:
        """Return how often something happened at the board."""
        return sum(logged["event"] == event for logged in self.board_log())


def firmware(folder: Path, *words: str) -> VirtualFirmware:
    """Start a board whose log lies in the folder."""
    return VirtualFirmware(*words, log=folder / "board.jsonl")


def test_a_drill_runs_on_the_firmware_and_all_counts_agree(tmp_path: Path) -> None:
    """Twelve balls: fed as the daemon counts, pushed and left as the board's own log has it, seen by its sensor."""
    with firmware(tmp_path) as board:
        hall = SerialHall(board, tmp_path).feeding(12).to_the_end()
        run = hall.watched.engine.parts.practice.run
    assert hall.watched.state == "ARMED" and run is not None
    assert (run.commanded, run.seen) == (12, 12)
    assert (hall.count("push"), hall.count("leaves")) == (12, 12)
    assert len(hall.watched.feeds()) == sum(event["event"] == "push_confirmed" for event in hall.log) == 12
    hall.watched.sound()


def test_a_board_without_feedback_is_driven_by_its_table(tmp_path: Path) -> None:
    """Nothing is measured and nothing told as measured; the true wheels are where the plan wants them; blank counts."""
    with firmware(tmp_path, "--open-loop") as board:
        hall = SerialHall(board, tmp_path, "kit-build", DUTY).feeding(4).to_the_end()
        run, engine = hall.watched.engine.parts.practice.run, hall.watched.engine
        assert hall.watched.state == "ARMED" and run is not None
        assert (run.commanded, run.seen) == (4, None)
        status = engine.parts.link.status
        assert status is not None and status.top.measured_rpm is None and status.supply_v == HOST_SUPPLY_V
        assert status.rest_known == "assumed" and not status.exits
    pushed = [event for event in hall.board_log() if event["event"] == "push"]
    asked = [feed["top_target_rpm"] for feed in hall.watched.feeds()]
    assert [push["top_rpm"] for push in pushed] == pytest.approx(asked, rel=0.02)
    hall.watched.sound()


def test_a_weak_battery_is_made_up_for(tmp_path: Path) -> None:
    """A table measured at 14.4 V on a board that tells 12.4 V: the duty is raised by the ratio of the two."""
    table = {wheel: table_of(14.4, (0.0, 1.0), (0.0, 9000.0)) for wheel in ("top", "bottom")}
    with firmware(tmp_path, "--open-loop") as board:
        hall = SerialHall(board, tmp_path, "kit-build", table).feeding(1, fed=1)
        sent = [line.split(b" ") for data in board.sent for line in data.splitlines() if line.startswith(b"duty")]
        told = hall.hall.core.outputs.top_rpm
    assert int(sent[-1][3]) == pytest.approx(told / 9000 * 14.4 / 12.4 * 10_000, abs=1)


def unplug(hall: SerialHall) -> None:
    hall.board.unplugged = True


def plug(hall: SerialHall) -> None:
    hall.board.unplugged = False


def garble(hall: SerialHall) -> None:
    chance = np.random.default_rng(1)
    hall.board.bend_in = lambda data: bytes(byte ^ 4 if chance.random() < 0.02 else byte for byte in data)


def clean(hall: SerialHall) -> None:
    hall.board.bend_in = hall.board.bend_out = lambda data: data


def slow(hall: SerialHall) -> None:
    late: list[bytes] = [b""] * 40

    def later(data: bytes) -> bytes:
        late.append(data)
        return late.pop(0)

    hall.board.bend_in = later


def deaf(hall: SerialHall) -> None:
    hall.board.bend_out = lambda data: b""


def reboot(hall: SerialHall) -> None:
    hall.board.power_up()


def nothing(hall: SerialHall) -> None:
    """Nobody has to mend it."""


BEFALL: dict[str, tuple[Callable[[SerialHall], None], Callable[[SerialHall], None], str]] = {
    "unplugged": (unplug, plug, "unplugged: pulled out by the test"),
    "garbled": (garble, clean, "garbled"),
    "slow": (slow, clean, "slow or silent"),
    "deaf": (deaf, clean, "stopped by itself"),
    "rebooted": (reboot, nothing, "began anew"),
}


@pytest.mark.parametrize(("befall", "mend", "told"), BEFALL.values(), ids=list(BEFALL))
def test_a_lost_board_is_named_cut_and_woken_without_motion(
    tmp_path: Path, befall: Callable[[SerialHall], None], mend: Callable[[SerialHall], None], told: str
) -> None:
    """In a drill: a fault by its name, at rest in 2 s, no push; mended, nothing turns until clear, arm, start."""
    with firmware(tmp_path) as board:
        hall = SerialHall(board, tmp_path).feeding(12)
        befall(hall)
        assert hall.hall.until_state("QUICKSTOP", "FAULT", max_s=3.0)
        fault = hall.watched.engine.parts.mode.fault
        assert fault is not None and fault.cause == "driver-fault" and told in fault.text
        pushes = hall.count("push")
        hall.hall.run_for(2.0)
        stood = len(hall.board_log())  # each turning wheel adds a line every 20 ms
        mend(hall)
        hall.hall.run_for(3.0)
        assert hall.watched.state == "FAULT" and len(hall.board_log()) == stood
        assert hall.count("push") == pushes
        hall.watched.ok("clear")
        hall.hall.run_for(1.0)
        hall.feeding(3, fed=3).to_the_end()
        assert hall.watched.state == "ARMED" and hall.count("push") == pushes + 3
    hall.watched.sound()


def test_a_push_line_that_is_lost_is_sent_again(tmp_path: Path) -> None:
    """The first copy of each push is lost on its way: each ball is pushed all the same, and once."""
    seen: set[bytes] = set()

    def lose_first(data: bytes) -> bytes:
        if not data.startswith(b"push") or data in seen:
            return data
        seen.add(data)
        return b""

    with firmware(tmp_path) as board:
        board.bend_out = lose_first
        hall = SerialHall(board, tmp_path).feeding(5).to_the_end()
    assert len(seen) == 5 == hall.count("push")


def test_pushes_that_never_arrive_are_refused_and_pause_the_run(tmp_path: Path) -> None:
    """Reports past its time show no push: refused, not counted, and after three of them the drill does not go on."""
    with firmware(tmp_path) as board:
        board.bend_out = lambda data: b"" if data.startswith(b"push") else data
        hall = SerialHall(board, tmp_path)
        hall.watched.ok("load a-drill", drill_plan(hall.watched.on, sets=(5,)))
        hall.watched.ok("arm")
        hall.watched.ok(f"start {hall.watched.engine.parts.mode.stop_count}")
        assert hall.hall.until_state("PAUSED", "FAULT")
        reason, run = hall.watched.engine.parts.mode.reason, hall.watched.engine.parts.practice.run
    assert reason == "3 balls in a row were not thrown: the board did not push it within 15 ms"
    assert run is not None and (run.commanded, run.refused, run.unknown) == (0, 3, 0)


def test_a_push_that_no_report_settles_is_a_fault(tmp_path: Path) -> None:
    """Reports come and their clock stands still: nobody knows of the push, the driver says so, and the drill stops."""
    with firmware(tmp_path) as board:
        hall = SerialHall(board, tmp_path)
        hall.watched.ok("load a-drill", drill_plan(hall.watched.on, sets=(5,)))
        hall.watched.ok("arm")
        hall.watched.ok(f"start {hall.watched.engine.parts.mode.stop_count}")
        assert hall.hall.run_until(lambda: hall.watched.state == "FEEDING", 60.0)
        before: list[str] = []

        def stand_still(data: bytes) -> bytes:
            told = [words for raw in data.splitlines() if (words := words_of(raw)) is not None and words[0] == "now"]
            if not hall.watched.feeds():
                before[:] = told[-1] if told else before
                return data
            return b"".join(line("now", before[1], *answer[2:8], *before[8:10], *answer[10:]) for answer in told)

        board.bend_in = stand_still
        assert hall.hall.until_state("FAULT")
        fault, run = hall.watched.engine.parts.mode.fault, hall.watched.engine.parts.practice.run
        assert fault is not None and "feeder: the board has not confirmed the push of ball 1" in fault.text
        hall.hall.run_for(1.0)
    assert run is not None and (run.commanded, run.unknown) == (0, 1)
    assert [event["id"] for event in hall.log if event["event"] == "push_unknown"] == [1]


FOREIGN = {
    "another version": (("board", 2, 1, "measured", "exits", "x"), "speaks version 2"),
    "no feedback": (("board", 1, 1, "none", "exits", "x"), "does not measure wheel speeds"),
    "no exit sensor": (("board", 1, 1, "measured", "-", "x"), "has no exit sensor"),
}


@pytest.mark.parametrize(("words", "told"), FOREIGN.values(), ids=list(FOREIGN))
def test_a_board_that_does_not_fit_is_named_and_never_woken(words: tuple[object, ...], told: str) -> None:
    """Another protocol version or other sensors than the profile's: told, and no `wake` is sent."""

    class Foreign:
        trouble = ""
        sent = b""

        def receive(self, now: float) -> bytes | None:
            return line(*words)

        def send(self, data: bytes) -> None:
            self.sent += data

        def close(self) -> None:
            self.sent += b"closed"

    wire = Foreign()
    board = SerialBoard(driver_traits(machine(), "serial", simulated=False), wire)
    for step in range(400):
        reading = board.read(10.0 + step * 0.005)
    assert any(part == "board" and told in what for part, what in reading.faults)
    assert reading.top_rpm is None and b"wake" not in wire.sent
    board.close()
    assert wire.sent.endswith(line("sleep") + b"closed")
