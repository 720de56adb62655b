"""A drill of the virtual hall as the observer stream would show it, and as a recorder writes it down."""

from drillfeed.clients.recording import Recorder, Recording, read_recording
from drillfeed.daemon.simulation import Side
from tests.support.halls import WatchedHall, drill_plan

BEGAN = "2026-03-07T10:00:00+00:00"


class ObservedHall(WatchedHall):
    """A hall whose setpoints and statuses are recorded as they are sent."""

    def __post_init__(self) -> None:
        self.stream: list[tuple[float, list[bytes]]] = []
        super().__post_init__()

    def _carry(self, to: Side, frame: bytes, now_s: float) -> tuple[float, ...]:
        topic = b"setpoint" if to == "driver" else b"status"
        if b'"kind":"%s"' % topic in frame[:32]:
            self.stream.append((now_s, [topic, frame]))
        return super()._carry(to, frame, now_s)

    def lines(self) -> list[str]:
        """Return the recording's lines."""
        recorder = Recorder("tcp://127.0.0.1:7412", BEGAN, self.stream[0][0])
        return [recorder.head, *(line for at_s, parts in self.stream for line in recorder.take(parts, at_s))]


def recorded_drill(balls: int = 4) -> tuple[ObservedHall, list[str]]:
    """Run a drill to its end; return the hall and the recording of its stream."""
    hall = ObservedHall()
    hall.feeding(drill_plan(hall.on, sets=(balls,)), fed=balls)
    assert hall.hall.until_state("ARMED")
    return hall, hall.lines()


def recording_of(lines: list[str]) -> Recording:
    """Read a recording's lines."""
    return read_recording(lines)
