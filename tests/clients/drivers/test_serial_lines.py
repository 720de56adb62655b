"""Lines of the serial board: the check, both ways, garbage, the board's clock, and the examples of SERIAL.md."""

import re
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from drillfeed.clients.drivers.serial_lines import (
    LINE_BYTES_MAX,
    WRAP_MS,
    BoardClock,
    LineSplitter,
    crc16,
    introduction,
    line,
    ms_between,
    report,
    words_of,
)

DOCUMENT = Path(__file__).parents[3] / "protocol" / "SERIAL.md"
EXAMPLES = re.findall(
    r"^(?:    |\| `)((?:who|wake|go|duty|push|cut|sleep|board|now) ?[^`\n]*? ?[0-9A-F]{4})(?:`|$)",
    DOCUMENT.read_text(encoding="utf-8"),
    re.MULTILINE,
)


def test_the_check_is_the_published_one() -> None:
    """For the nine bytes that CRC catalogues print, this CRC-16 (0x1021, begun at 0xFFFF) gives 29B1."""
    assert crc16(b"123456789") == 0x29B1


def test_the_document_shows_every_line() -> None:
    """Each verb of the protocol has an example in SERIAL.md."""
    verbs = {example.split()[0] for example in EXAMPLES}
    assert verbs == {"who", "wake", "go", "duty", "push", "cut", "sleep", "board", "now"}


@pytest.mark.parametrize("example", EXAMPLES)
def test_every_example_of_the_document_is_true(example: str) -> None:
    """An integrator may compare byte by byte: the check of each example is right, and what a board says is read."""
    words = words_of(example.encode())
    assert words is not None and line(*words) == example.encode() + b"\n"
    if words[0] == "board":
        assert introduction(words) is not None
    if words[0] == "now":
        assert report(words) is not None


def test_what_is_not_known_is_none() -> None:
    """A dash is no zero."""
    told = report(["now", "10", "1", "awake", *"----", "0", "0", *"--", "0", "0", "-"])
    assert told is not None
    assert (told.top_rpm, told.tilt_deg, told.supply_v, told.exits, told.exit_ms) == (None,) * 5


@given(st.binary(max_size=400))
def test_garbage_is_counted_and_nothing_more(data: bytes) -> None:
    """Whatever bytes come, at once or one by one: the same lines, no error, and the next good line is read."""
    whole, single = LineSplitter(), LineSplitter()
    good = b"\n" + line("who")
    at_once = whole.feed(data + good)
    one_by_one = [words for byte in data + good for words in single.feed(bytes([byte]))]
    assert at_once == one_by_one and at_once[-1] == ["who"] and whole.bad == single.bad


def test_a_line_without_an_end_takes_no_memory() -> None:
    """A stuck line is dropped at its longest length and counts as one bad line."""
    splitter = LineSplitter()
    for _ in range(1000):
        splitter.feed(b"x" * 50)
    assert len(splitter._rest) <= LINE_BYTES_MAX
    assert splitter.feed(b"\n" + line("who")) == [["who"]] and splitter.bad == 1


@given(st.integers(0, WRAP_MS - 1), st.integers(-(2**31), 2**31 - 1))
def test_times_are_right_across_the_wrap_around(first: int, later: int) -> None:
    """The board's clock is a 32-bit number: a difference of up to 24 days either way is told right."""
    assert ms_between(first, (first + later) % WRAP_MS) == later


def test_the_clock_is_never_ahead_of_the_board() -> None:
    """Reports come 2 to 40 ms late; what the driver believes is never after the board's clock, at most 3 ms before."""
    begun_s, begun_ms = 50.0, WRAP_MS - 500
    clock = BoardClock(begun_ms, begun_s + 0.040)
    for n in range(200):
        late_s = 0.002 if n % 10 == 0 else 0.040 * ((n * 7) % 10) / 10 + 0.002
        clock.see((begun_ms + n * 10) % WRAP_MS, begun_s + n * 0.010 + late_s)
    now = begun_s + 2.0
    ahead = ms_between((begun_ms + 2000) % WRAP_MS, clock.board_ms(now))
    assert -3 <= ahead <= 0
    assert clock.driver_s((begun_ms + 2000) % WRAP_MS) == pytest.approx(now + 0.002, abs=1e-6)
