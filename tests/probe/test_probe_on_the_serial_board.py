"""The probe against the driver of the serial board, with the shipped C firmware behind it, on a virtual clock."""

import pytest

from drillfeed.clients.drivers.adapter import DriverCore
from drillfeed.clients.drivers.duty import table_of
from drillfeed.clients.drivers.serial_board import SerialBoard
from drillfeed.clients.probe import verdict
from drillfeed.daemon.boards import driver_traits
from tests.probe.virtual_bench import run_probe
from tests.support.firmware import VirtualFirmware
from tests.support.halls import machine

DUTY = {wheel: table_of(12.4, (0.0, 1.0), (0.0, 7200.0)) for wheel in ("top", "bottom")}
NOT_FROM_HERE = {"takes-over", "ends", "sleeps", "exit-sensor"}


@pytest.mark.parametrize(
    ("profile", "words", "unknown"),
    [("club-build", (), {"rest-by-time"}), ("kit-build", ("--open-loop",), {"reaches", "out-of-band"})],
    ids=["measured", "no feedback"],
)
def test_the_serial_board_holds_throughout(profile: str, words: tuple[str, ...], unknown: set[str]) -> None:
    """Every clause that can be known from the link holds, balls and a frozen driver among them; and nothing is lost."""
    lost: list[object] = []

    def note(event: str, t: float, /, **what: object) -> None:
        if event == "push_lost":
            lost.append(what)

    with VirtualFirmware(*words) as board:

        def make(now: float) -> DriverCore:
            traits = driver_traits(machine(profile), "serial", simulated=True)
            duty = None if profile == "club-build" else DUTY
            return DriverCore(traits, SerialBoard(traits, board, duty, note), "boot-1", now, note)

        probe = run_probe(make)
    told = verdict.verdict_text(probe.rows, probe.bench.hello)
    assert verdict.exit_status(probe.rows) == verdict.HOLDS, told
    assert {row.check.name for row in probe.rows if row.result != "holds"} == unknown | NOT_FROM_HERE, told
    assert not lost
