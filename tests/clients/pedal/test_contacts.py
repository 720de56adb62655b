"""The other contacts: a serial control line, lines from a program, a key of a terminal; and the settings."""

import os
import pty
from pathlib import Path

import pytest

from drillfeed.clients.pedal.foot import Edge
from drillfeed.clients.pedal.settings import BadSettings, pedal_of
from drillfeed.clients.pedal.sources import ContactLines, SerialContact, TerminalKey
from drillfeed.daemon.subcommands.pedal import read_settings


class Port:
    """A serial port with one control line; None: pulled out."""

    cts: bool | None = False

    def __getattribute__(self, name: str) -> object:
        found = object.__getattribute__(self, name)
        if name == "cts" and found is None:
            raise OSError(5, "Input/output error")
        return found

    def close(self) -> None:
        """Nothing to give back."""


def test_a_serial_contact_tells_edges_and_that_it_is_gone() -> None:
    """Held when it appears, pressed, let go, pulled out and back: each is told as what it is, once."""
    port = Port()
    port.cts = True
    source = SerialContact(lambda: port, "cts")
    found = []
    for at_s, line in enumerate((True, True, False, True, None, None, False)):
        port.cts = line
        found += [(edge.at_s, edge.kind) for edge in source.read(float(at_s))]
    assert found == [(0, "found down"), (2, "up"), (3, "down"), (4, "unplugged"), (6, "found up")]


def test_lines_of_a_program_are_edges_and_its_end_is_unplugging() -> None:
    """The first line tells what the contact is; halves of lines wait; other words are nothing; the end is told once."""
    reading, writing = os.pipe()
    source = ContactLines(reading)
    assert source.read(0.0) == []
    found: list[Edge] = []
    for at_s, data in enumerate((b"down\n", b"up\ndo", b"wn\nnoise\nUP\n", b"gone\nup\n")):
        os.write(writing, data)
        found += source.read(float(at_s))
    os.close(writing)
    found += source.read(9.0) + source.read(9.1)
    os.close(reading)
    kinds = ["found down", "up", "down", "up", "unplugged", "found up", "unplugged"]
    assert [edge.kind for edge in found] == kinds


def test_a_key_of_a_terminal_is_a_press_that_ends_when_it_stops_repeating() -> None:
    """A tap is let go after 0.7 s without a repeat; a held key lasts as long as it repeats."""
    outer, inner = pty.openpty()
    source = TerminalKey(inner)
    assert [edge.kind for edge in source.read(0.0)] == ["found up"]
    os.write(outer, b"x\n")
    assert [edge.kind for edge in source.read(1.0)] == ["down"]
    assert source.read(1.69) == []
    assert source.read(1.71) == [Edge(1.7, "up")]
    for n in range(20):
        os.write(outer, b"x\n")
        source.read(3.0 + 0.4 * (n > 0) + 0.05 * n)
    assert source.read(4.4) == []
    assert [edge.kind for edge in source.read(4.6)] == ["up"]
    os.close(outer)
    assert [edge.kind for edge in source.read(5.0)] == ["unplugged"]
    assert source.read(5.1) == [] and source.filenos() == []
    os.close(inner)


def test_settings_of_two_foot_switches(tmp_path: Path) -> None:
    """A file may hold several, each with its own meaning."""
    file = tmp_path / "pedal.toml"
    file.write_text(
        '[[pedal]]\nsource = "input"\ndevice = "/dev/input/event3"\nkey = "KEY_B"\ndouble = "skip"\n'
        '[[pedal]]\nsource = "serial"\ndevice = "/dev/ttyUSB0"\npress = "nothing"\nhold = "pause"\nunplugged = "tell"\n'
    )
    first, second = read_settings(file)
    assert first.meaning.press == "go" and first.meaning.double == "skip" and first.meaning.hold == "stop"
    assert second.meaning.hold == "pause" and second.meaning.unplugged == "tell"


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("[[pedal]]", "pedal 1.source"),
        ('[[pedal]]\nsource = "input"', "needs a device"),
        ('[[pedal]]\nsource = "terminal"\npress = "start"', "start cannot be on a foot switch"),
        ('[[pedal]]\nsource = "terminal"\npress = "resume"', "resume cannot be on a foot switch"),
        ('[[pedal]]\nsource = "terminal"\ndouble = "boost"', "there is no command boost"),
        ('[[pedal]]\nsource = "terminal"\ndouble = "balls"', "balls cannot be on a foot switch"),
        ('[[pedal]]\nsource = "terminal"\nhold = "start"', "pedal 1.hold"),
        ('[[pedal]]\nsource = "serial"\ndevice = "/dev/ttyS0"\nkey = "KEY_B"', "one of cts"),
        ("pedal = []", "pedal"),
        ("[[pedal", "pedal.toml"),
    ],
)
def test_wrong_settings_are_refused_with_their_place(text: str, said: str, tmp_path: Path) -> None:
    """No setting lets a press start something by another way than `go`; each mistake names where it stands."""
    file = tmp_path / "pedal.toml"
    file.write_text(text)
    with pytest.raises(BadSettings) as caught:
        read_settings(file)
    assert said in str(caught.value)


def test_a_foot_switch_from_the_command_line() -> None:
    """What is left out keeps its usual meaning."""
    assert pedal_of(source="terminal", device=None, key=None, double=None).meaning.press == "go"
