"""A recording run again, on the shipped driver core and the simulated thrower, on a virtual clock."""

from collections.abc import Sequence
from itertools import pairwise
from typing import Any

import numpy as np
import pytest

from drillfeed.clients.drivers.adapter import DriverCore
from drillfeed.clients.recording import read_recording
from drillfeed.daemon.boards import simulated_thrower
from drillfeed.daemon.replaying import Moment, Replayer, beyond_limits
from drillfeed.protocol.link import TICK_S
from tests.support.driver_log import breaches, keep_log
from tests.support.halls import machine
from tests.support.recorded import recorded_drill

REST_RPM = 32.0  # 0.10 m/s at the rim of a 60 mm wheel


class Hall:
    """A replayer and a driver, 1 ms apart."""

    def __init__(self, moments: Sequence[Moment], name: str = "club-build") -> None:
        self.log: list[dict[str, Any]] = []
        self.now_s = 10.0
        note = keep_log(self.log)
        self.board = simulated_thrower(machine(name), np.random.default_rng(1), self.now_s, note)
        self.core = DriverCore(self.board.traits.driver, self.board, "boot-1", self.now_s, note)
        self.replayer = Replayer(machine(name), "replay-session", moments, self.now_s)
        self.cut = False
        self._ticked_s = self.now_s

    def run(self, seconds: float, until: str = "over") -> "Hall":
        """Go on for so long, or until a phase is reached."""
        end_s = self.now_s + seconds
        while self.now_s < end_s and self.replayer.phase != until:
            self.now_s += 0.005
            for frame in self.core.tick(self.now_s):
                self._to_daemon(frame)
            if self.now_s - self._ticked_s >= TICK_S - 1e-9:
                self._ticked_s = self.now_s
                self.replayer.advance(self.now_s)
            for _, frame in self.replayer.link.out:
                if not self.cut:
                    for answer in self.core.receive(frame, self.now_s + 0.001):
                        self._to_daemon(answer)
            self.replayer.link.out.clear()
        return self

    def _to_daemon(self, frame: bytes) -> None:
        if not self.cut:
            self.replayer.receive(b"driver", frame, self.now_s + 0.001)

    def outputs(self) -> list[tuple[float, float]]:
        """Return the wheels' outputs that the log has, by time."""
        return [(event["t"], event["top_out_rpm"]) for event in self.log if event["event"] == "wheels"]

    def sound(self) -> None:
        """Hold the driver's log against its invariants; and no ball was fed."""
        assert breaches(self.log, self.board.traits.driver.limits) == []
        assert not [event for event in self.log if event["event"] in ("feed", "feed_opened")]


RISE = [Moment(0.0, 0.0, 0.0, None), Moment(1.0, 1500.0, 900.0, 20.0), Moment(4.0, 1500.0, 900.0, 20.0)]


def test_a_recorded_drill_is_run_again_without_a_ball() -> None:
    """The wheels go through the speeds of the drill, each as long as then; no feed opens; at the end all stands."""
    _, lines = recorded_drill()
    asked = read_recording(lines).asked
    moments = [Moment(setpoint.at_s, setpoint.top_rpm, setpoint.bottom_rpm, setpoint.tilt_deg) for setpoint in asked]
    hall = Hall(moments).run(120.0)
    assert (hall.replayer.phase, hall.replayer.trouble) == ("over", None)
    for speed in {round(setpoint.top_rpm) for setpoint in asked if setpoint.top_rpm > 1500}:
        seen = sum(abs(rpm - speed) < 1 for _, rpm in hall.outputs())
        assert seen == pytest.approx(sum(abs(setpoint.top_rpm - speed) < 1 for setpoint in asked), abs=3)
    assert hall.board.top_rpm < REST_RPM and set(hall.replayer.worst_rpm) == {"top", "bottom"}
    hall.sound()


def test_a_step_in_the_recording_is_no_step_at_the_wheel() -> None:
    """A recording that jumps to 5,000 rpm is followed at the machine's own rate."""
    hall = Hall([Moment(0.0, 0.0, 0.0, None), Moment(0.5, 5000.0, 5000.0, None), Moment(3.0, 5000.0, 5000.0, None)])
    hall.run(60.0)
    rate = machine().limits().top.up_rpm_per_s
    out = hall.outputs()
    assert max(rpm for _, rpm in out) == 5000
    assert all(b[1] - a[1] <= rate * (b[0] - a[0] + 0.005) + 1 for a, b in pairwise(out))
    hall.sound()


@pytest.mark.parametrize(
    ("moment", "told"),
    [
        (Moment(2.0, 5900.0, 0.0, None), "top wheel 5,900 rpm at 2.00 s; club-build has 0 to 5,800"),
        (Moment(2.0, 0.0, -10.0, None), "bottom wheel -10 rpm"),
        (Moment(2.0, 0.0, 0.0, 61.0), "tilt 61 at 2.00 s; club-build has -30 to 60"),
    ],
    ids=["too fast", "backwards", "tilt"],
)
def test_what_is_beyond_the_machine_is_named(moment: Moment, told: str) -> None:
    """One moment beyond a limit, and the whole recording is refused, with the moment."""
    assert told in str(beyond_limits([*RISE, moment], machine()))
    assert beyond_limits(RISE, machine()) is None


def test_an_interrupt_stops_at_the_quick_rate() -> None:
    """Stopped in the middle: the driver is told at once, the wheels come down, and the trouble is told."""
    hall = Hall(RISE).run(60.0, "running").run(2.0)
    hall.replayer.stop("interrupted", hall.now_s)
    hall.run(20.0)
    assert (hall.replayer.phase, hall.replayer.trouble) == ("over", "interrupted")
    assert hall.board.top_rpm < REST_RPM and [e for e in hall.log if e["event"] == "stop"]
    hall.sound()


def test_a_silent_driver_ends_the_run_and_stops_by_itself() -> None:
    """The link is cut: the run ends with that trouble, the driver's own watchdog brings the wheels down."""
    hall = Hall(RISE).run(60.0, "running").run(2.0)
    hall.cut = True
    hall.run(30.0)
    assert hall.replayer.trouble is not None and hall.replayer.phase == "over"
    hall.run(3.0, "never")
    assert hall.board.top_rpm == 0 and [e for e in hall.log if e["event"] == "watchdog"]
    hall.sound()


def test_a_driver_of_another_machine_is_not_armed() -> None:
    """A profile that does not fit the driver: nothing turns, and the difference is told."""
    hall = Hall(RISE)
    hall.replayer = Replayer(machine("kit-build"), "replay-session", RISE, hall.now_s)
    hall.run(40.0)
    assert hall.replayer.phase == "over" and "does not fit kit-build" in str(hall.replayer.trouble)
    assert not hall.outputs()


def test_without_a_driver_it_gives_up() -> None:
    """Nobody says hello within half a minute: over, and said."""
    hall = Hall(RISE)
    hall.cut = True
    hall.run(40.0)
    assert "no driver" in str(hall.replayer.trouble)
