"""The rim of the serial board on real pseudo-terminals: nothing waits, and a port that comes back is found."""

import os
import tty
from collections.abc import Iterator
from pathlib import Path

import pytest

from drillfeed.clients.drivers.serial_port import AGAIN_S, SerialPort


class Cable:
    """A pseudo-terminal with a name that can be pulled out and put back."""

    def __init__(self, path: Path) -> None:
        self.path = path
        self.plug()

    def plug(self) -> None:
        """Put it in."""
        self.board, far = os.openpty()
        tty.setraw(far)
        self.path.unlink(missing_ok=True)
        self.path.symlink_to(os.ttyname(far))
        os.close(far)

    def pull(self) -> None:
        """Pull it out: the name is gone too, as it is for an adapter on a bus."""
        os.close(self.board)
        self.path.unlink()


@pytest.fixture
def cable(tmp_path: Path) -> Iterator[Cable]:
    """A cable that lies in its socket."""
    made = Cable(tmp_path / "board")
    yield made
    os.close(made.board)


def test_bytes_go_both_ways_and_nothing_waits(cable: Cable) -> None:
    """What was said before the port was opened is dropped; with nothing to read, nothing is returned at once."""
    port = SerialPort(str(cable.path), 115_200)
    assert port.receive(1.0) == b""
    os.write(cable.board, b"now 1\n")
    assert port.receive(1.005) == b"now 1\n" and port.receive(1.010) == b""
    port.send(b"who\n")
    assert os.read(cable.board, 100) == b"who\n"
    port.close()


def test_a_board_that_reads_nothing_costs_bytes_and_no_time(cable: Cable) -> None:
    """A full line swallows what does not fit; the driver goes on."""
    port = SerialPort(str(cable.path), 115_200)
    port.receive(1.0)
    for _ in range(5000):
        port.send(b"x" * 100)
    assert port.receive(1.1) == b""
    port.close()


def test_a_port_pulled_out_is_named_and_found_again(cable: Cable) -> None:
    """None and a reason while it is out; tried again each half second and not in between; found when it is back."""
    port = SerialPort(str(cable.path), 115_200)
    assert port.receive(1.0) == b""
    cable.pull()
    assert port.receive(1.1) is None and str(cable.path) in port.trouble
    assert port.receive(1.0 + AGAIN_S) is None and "No such file" in port.trouble
    cable.plug()
    assert port.receive(1.0 + 1.5 * AGAIN_S) is None
    assert port.receive(1.0 + 2 * AGAIN_S) == b""
    port.close()
    port.send(b"nobody is there")
