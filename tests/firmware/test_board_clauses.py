"""The firmware, clause by clause of SERIAL.md: built strictly, run under both sanitizers, on a clock of the test's."""

import json
from itertools import pairwise
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from drillfeed.clients.drivers.serial_lines import WRAP_MS, Introduction, Report, introduction, line, report, words_of
from tests.support.firmware import VirtualFirmware


class Bench:
    """A board on the bench, with somebody who types lines with the right check."""

    def __init__(self, board: VirtualFirmware, first_ms: int = 0) -> None:
        self.board, self.ms = board, first_ms
        self.reports: list[Report] = []
        self.introductions: list[Introduction] = []

    def say(self, *words: object) -> "Bench":
        """Give the board a line."""
        self.board.send(line(*words))
        return self

    def run(self, ms: int) -> Report:
        """Let time pass; return the newest report."""
        self.ms = (self.ms + ms) % WRAP_MS
        for raw in self.board.run(ms).split(b"\n")[:-1]:
            words = words_of(raw)
            assert words is not None, raw
            told, who = report(words), introduction(words)
            if told is not None:
                self.reports.append(told)
            elif who is not None:
                self.introductions.append(who)
        return self.reports[-1]

    def go(self, top: float, bottom: float, for_ms: int = 100, boot: int = 1, agitator: int = 0) -> "Bench":
        """Say what the wheels are to do, in rpm."""
        return self.say("go", boot, (self.ms + for_ms) % WRAP_MS, round(top * 10), round(bottom * 10), "-", agitator)

    def spin(self, top: float, bottom: float, ms: int = 1500) -> Report:
        """Wake the board and keep the wheels going for a while."""
        self.say("wake", 1)
        for _ in range(ms // 10):
            self.go(top, bottom).run(10)
        return self.reports[-1]


def test_it_introduces_itself_and_lies_asleep() -> None:
    """After a reset and to `who`: version, boot number and what it has; asleep, and a `go` turns nothing (S11)."""
    with VirtualFirmware() as board:
        bench = Bench(board)
        bench.run(50)
        told = bench.say("who").go(2000, 2000).run(300)
    assert bench.introductions == [Introduction(1, 1, True, True, "hall-board")] * 2
    assert (told.mode, told.top_rpm, told.passed_over) == ("asleep", 0.0, 1)


def test_a_report_comes_every_10_ms() -> None:
    """100 reports a second, whatever is asked."""
    with VirtualFirmware() as board:
        bench = Bench(board)
        bench.spin(1000, 1000, 1000)
    moments = [told.at_ms for told in bench.reports]
    assert max(b - a for a, b in pairwise(moments)) == 10


@pytest.mark.parametrize("rpm", [(200.0, 1000.0), (3000.0, 2400.0), (5800.0, 5800.0)])
def test_it_holds_the_speed_it_is_told(rpm: tuple[float, float]) -> None:
    """A second and a half after `go` both wheels are within half a percent, or 2 rpm, of what was asked (S5)."""
    with VirtualFirmware() as board:
        told = Bench(board).spin(*rpm)
    assert told.top_rpm == pytest.approx(rpm[0], rel=0.005, abs=3.0)
    assert told.bottom_rpm == pytest.approx(rpm[1], rel=0.005, abs=3.0)


def test_it_lets_the_wheels_down_by_itself() -> None:
    """The line goes dead: feeder and agitator off when the `go` expires, `expired` 200 ms later, wheels down (S9)."""
    with VirtualFirmware() as board:
        bench = Bench(board)
        bench.spin(3000, 3000)
        bench.go(3000, 3000, for_ms=60).run(60)
        last_awake_ms = bench.ms
        bench.run(1500)
    expired = next(told for told in bench.reports if told.mode == "expired")
    assert 200 <= expired.at_ms - last_awake_ms <= 202
    assert all(told.mode == "awake" for told in bench.reports if 500 < told.at_ms <= last_awake_ms + 199)
    assert bench.reports[-1].top_rpm == pytest.approx(0.0, abs=1.0)


REFUSED = {
    "another boot": "go 2 {soon} 20000 20000 - 0",
    "expired": "go 1 {past} 20000 20000 - 0",
    "too far ahead": "go 1 {far} 20000 20000 - 0",
    "too fast": "go 1 {soon} 58001 20000 - 0",
    "backwards": "go 1 {soon} -1 20000 - 0",
    "tilt beyond": "go 1 {soon} 20000 20000 6001 0",
    "a word too few": "go 1 {soon} 20000 20000 -",
    "a word too many": "go 1 {soon} 20000 20000 - 0 0",
    "a point": "go 1 {soon} 2000.5 20000 - 0",
    "eleven digits": "go 1 {soon} 00000020000 20000 - 0",
    "no number": "go 1 {soon} fast 20000 - 0",
    "duty on a board with feedback": "duty 1 {soon} 5000 5000 - 0",
    "unknown word": "jump 1",
    "wake of another boot": "wake 2",
}


@pytest.mark.parametrize("text", REFUSED.values(), ids=list(REFUSED))
def test_a_wrong_line_is_passed_over_whole_and_counted(text: str) -> None:
    """One wrong word, and nothing of the line counts; PASSED tells it (S2 to S5)."""
    with VirtualFirmware() as board:
        bench = Bench(board)
        bench.say("wake", 1).run(10)
        words = text.format(soon=bench.ms + 100, past=bench.ms - 1, far=bench.ms + 1100).split(" ")
        told = bench.say(*words).run(150)
    assert (told.passed_over, told.top_rpm, told.bottom_rpm) == (1, 0.0, 0.0)


def test_a_wrong_check_is_no_line() -> None:
    """A line with one bit changed is passed over (S2)."""
    with VirtualFirmware() as board:
        bench = Bench(board)
        bench.say("wake", 1).run(10)
        raw = line("go", 1, bench.ms + 100, 20000, 20000, "-", 0)
        board.send(raw.replace(b"20000", b"20001", 1))
        told = bench.run(100)
    assert (told.passed_over, told.top_rpm) == (1, 0.0)


def test_a_push_is_carried_out_once(tmp_path: Path) -> None:
    """Ten copies of a push, one ball; the same number later, none; an expired one, none (S4, S6)."""
    log = tmp_path / "board.jsonl"
    with VirtualFirmware(log=log) as board:
        bench = Bench(board)
        bench.spin(1500, 1500, 800)
        until_ms = bench.ms + 15
        for _ in range(10):
            bench.say("push", 1, until_ms, 7)
        for _ in range(70):
            bench.go(1500, 1500).run(10)
        bench.say("push", 1, bench.ms + 15, 7).say("push", 1, bench.ms - 1, 8).go(1500, 1500).run(10)
        for _ in range(30):
            bench.go(1500, 1500).run(10)
    told = bench.reports[-1]
    assert (told.pushes, told.push_id, told.exits, told.passed_over) == (1, 7, 1, 1)
    events = [json.loads(line)["event"] for line in log.read_text().splitlines()]
    assert (events.count("push"), events.count("leaves")) == (1, 1)


def test_no_push_asleep_nor_without_a_fresh_go() -> None:
    """A board that is asleep, or whose `go` has expired, feeds nothing (S6)."""
    with VirtualFirmware() as board:
        bench = Bench(board)
        bench.run(10)
        bench.say("push", 1, bench.ms + 15, 1).run(50)
        bench.spin(1500, 1500, 500)
        bench.run(120)
        told = bench.say("push", 1, bench.ms + 15, 2).run(50)
    assert (told.pushes, told.passed_over) == (0, 2)


def test_cut_and_sleep_are_obeyed_whoever_says_them(tmp_path: Path) -> None:
    """Agitator off in the same millisecond; `sleep` lets the wheels down; a later `go` turns nothing (S3, S7, S11)."""
    log = tmp_path / "board.jsonl"
    with VirtualFirmware("--open-loop", log=log) as board:
        bench = Bench(board)
        bench.say("wake", 1).run(10)
        bench.say("duty", 1, bench.ms + 100, 3000, 3000, "-", 1).run(10)
        cut_ms = bench.ms
        assert bench.say("cut", 41).run(1).cut == 41
        bench.say("sleep").run(20)
        bench.say("duty", 1, bench.ms + 100, 3000, 3000, "-", 1).run(1500)
    events = [json.loads(line) for line in log.read_text().splitlines()]
    assert [(event["value"], event["ms"]) for event in events if event["event"] == "agitator"] == [
        (1, 11),
        (0, cut_ms + 1),
    ]
    assert events[-1]["top_rpm"] < 10 and bench.reports[-1].mode == "asleep"


def test_no_duty_changes_faster_than_the_boards_own_slew(tmp_path: Path) -> None:
    """From nothing to full in one line: both duties rise by the board's 30 a millisecond, whoever asks (S8)."""
    log = tmp_path / "board.jsonl"
    with VirtualFirmware("--open-loop", log=log) as board:
        bench = Bench(board)
        bench.say("wake", 1).run(10)
        bench.say("duty", 1, bench.ms + 900, 10_000, 10_000, "-", 0).run(500)
    duties = [line["value"] for line in map(json.loads, log.read_text().splitlines()) if line["event"] == "wheels"]
    assert {b - a for a, b in pairwise(duties[:15])} == {2 * 30 * 20} and duties[-1] == 20_000


def test_the_clock_may_wrap_around_in_the_middle() -> None:
    """49.7 days after the reset the clock begins anew: wheels go on, pushes go on, the watchdog still bites."""
    with VirtualFirmware("--ms", str(WRAP_MS - 1000)) as board:
        bench = Bench(board, WRAP_MS - 1000)
        told = bench.spin(2000, 2000, 2000)
        assert told.at_ms < 1100 and told.top_rpm == pytest.approx(2000, rel=0.01)
        bench.say("push", 1, (bench.ms + 15) % WRAP_MS, 1).go(2000, 2000).run(10)
        assert bench.reports[-1].pushes == 1
        assert bench.run(400).mode == "expired"


@settings(max_examples=15, deadline=None)
@given(
    st.lists(
        st.one_of(st.binary(max_size=200), st.text(max_size=130).map(lambda text: line(text.encode().hex()))),
        max_size=12,
    )
)
def test_garbage_moves_nothing_and_breaks_nothing(junk: list[bytes]) -> None:
    """Random bytes and random lines with the right check: no sanitizer speaks, nothing turns, `who` is answered."""
    with VirtualFirmware() as board:
        bench = Bench(board)
        bench.say("wake", 1)
        for data in junk:
            board.send(data.replace(b"@", b"-"))
            bench.run(5)
        board.send(b"\n")
        told = bench.say("who").run(20)
    assert len(bench.introductions) == 2
    assert (told.top_rpm, told.bottom_rpm, told.pushes) == (0.0, 0.0, 0)
