"""The probe judges by this run alone, by a machine that kept up, and by a ball where one is loaded."""

import json
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import pytest

from drillfeed.clients.drivers.adapter import DriverCore
from drillfeed.clients.drivers.board import DriverTraits, PushAnswer
from drillfeed.clients.probe import verdict
from drillfeed.clients.probe.bench import Bench
from drillfeed.clients.probe.check import Check
from drillfeed.clients.probe.probe import Probe, Result
from drillfeed.clients.probe.stalls import waited_for_processor_s
from drillfeed.clients.probe.steps import NotReached, Steps
from drillfeed.protocol.frames import decode_from_driver, encode
from drillfeed.protocol.link import Pong
from tests.probe.broken import BROKEN
from tests.probe.virtual_bench import PEER, START_S, TRAITS, Driver, QuickBoard, run_probe, sound_driver

FEEDING = ("one-ball", "id-used", "late", "out-of-band", "closing-refuses", "epoch-refuses", "stop-refuses")
STALL_S = 0.020


def results(probe: Probe) -> dict[str, Result]:
    return {row.check.name: row.result for row in probe.rows}


@pytest.mark.parametrize("check", ["feed-not-armed", *FEEDING, "silence-refuses"])
def test_a_second_run_reads_no_result_of_the_first(check: str) -> None:
    """A driver that still tells an earlier daemon's results of the same ids, done and refused, holds all the same."""
    driver = sound_driver(START_S + 1000.0)
    first = run_probe(lambda now: driver, name="probe-first")
    assert verdict.exit_status(first.rows) == verdict.HOLDS and driver.gate.ledger.results
    for id in range(1, 9):
        driver.gate.ledger.done(id, 0.0, START_S + 1000.0)
    second = run_probe(lambda now: driver, name="probe-second", only=("frames", check), later_s=200.0)
    assert [(row.result, row.saw) for row in second.rows if row.result != "holds"] == []


def test_a_pong_to_an_earlier_run_is_none_to_this_one() -> None:
    """Pongs that a driver had queued for another daemon, with the numbers it used, don't set this run's clock."""

    class Late:
        """A driver that sends what it had queued for the daemon before: pongs of another clock."""

        def __init__(self, now: float) -> None:
            self.core, self.left = sound_driver(now), 40
            self.receive = self.core.receive

        def tick(self, now: float) -> list[bytes]:
            if self.left:
                self.left -= 1
                return [encode(Pong(n=41 - self.left, now_s=1.0)), *self.core.tick(now)]
            return self.core.tick(now)

    probe = run_probe(Late, only=("clock", "at-its-time"))
    assert results(probe) == {"clock": "holds", "at-its-time": "holds"}


class Starved:
    """A driver on a machine that does not run it for a while now and then, from `after_s` on."""

    def __init__(self, now: float, every_s: float, stall_s: float, core: DriverCore | None = None) -> None:
        self.core = core or sound_driver(now)
        self.every_s, self.stall_s, self.began_s = every_s, stall_s, now
        self.kept: list[bytes] = []

    def asleep(self, now: float) -> bool:
        return (now - self.began_s) % self.every_s < self.stall_s

    def receive(self, frame: bytes, now: float) -> list[bytes]:
        if self.asleep(now):
            self.kept.append(frame)
            return []
        return self.core.receive(frame, now)

    def tick(self, now: float) -> list[bytes]:
        if self.asleep(now):
            return []
        answers: list[bytes] = []
        for frame in self.kept:
            answers += self.core.receive(frame, now)
        self.kept.clear()
        return answers + self.core.tick(now)


def under_load(make: Callable[[float], Driver], *only: str, waited_s: float = 10.0) -> Probe:
    """Run checks on a machine whose processes have waited `waited_s` a second for a processor, as the system counts."""
    return run_probe(make, only=only, stall_s=STALL_S, pressure=lambda now: now * waited_s)


@pytest.mark.parametrize("check", ["heartbeat", "status-rhythm", "arms", "one-ball", "feed-closes", "at-its-time"])
def test_a_driver_that_was_not_run_in_time_is_inconclusive(check: str) -> None:
    """Its statuses show that it stood still for 150 ms and the system that processes waited: never called a failure."""
    probe = under_load(lambda now: Starved(now, 0.4, 0.15), check)
    (row,) = probe.rows
    assert row.result in ("inconclusive", "holds")
    if check == "heartbeat":
        assert row.result == "inconclusive" and "this machine stalled for 1" in row.saw
    assert (verdict.exit_status(probe.rows) == verdict.FAILS) is (row.result == "inconclusive")


def test_frames_that_were_late_on_their_way_are_inconclusive() -> None:
    """The driver ran on time, the path between did not: statuses come late by its own clock. It is not blamed."""

    class SlowPath(Starved):
        def tick(self, now: float) -> list[bytes]:
            self.waiting = [*getattr(self, "waiting", []), *self.core.tick(now)]
            if self.asleep(now):
                return []
            answers, self.waiting = self.waiting, []
            for frame in self.kept:
                answers += self.core.receive(frame, now)
            self.kept.clear()
            return answers

    probe = under_load(lambda now: SlowPath(now, 0.4, 0.15), "heartbeat")
    assert results(probe) == {"heartbeat": "inconclusive"}


def test_on_a_machine_that_kept_up_a_driver_that_stands_still_fails() -> None:
    """The same pauses where no process waited for a processor are the driver's own: the check fails."""
    probe = run_probe(
        lambda now: Starved(now, 0.4, 0.15), only=("heartbeat",), stall_s=STALL_S, pressure=lambda now: 0.0
    )
    assert results(probe) == {"heartbeat": "fails"}


def test_load_excuses_no_driver_that_ran_in_time() -> None:
    """A broken driver fails its check on a busy machine too, as long as it was run and heard in time."""
    for broken in BROKEN:
        if broken.first in ("stops", "garbage", "old-seq", "arm-quotes", "id-used"):
            probe = under_load(broken.make, broken.first, waited_s=0.9)
            assert results(probe)[broken.first] == "fails", broken.what


@pytest.mark.parametrize(("waited_s", "result"), [(10.0, "inconclusive"), (0.0, "not reached")], ids=["busy", "idle"])
def test_a_stall_that_hides_where_a_check_begins_is_inconclusive_too(
    monkeypatch: pytest.MonkeyPatch, waited_s: float, result: Result
) -> None:
    """A check that could not begin on a machine that stalled is not told as `not reached`, which blames the driver."""

    def steps(bench: Bench) -> Steps:
        yield from bench.wait(0.5)
        raise NotReached("it does not come to where this begins")

    check = Check("begins", "L20", "waits", "to begin", steps)
    monkeypatch.setattr("drillfeed.clients.probe.probe.TABLE", (check,))
    probe = under_load(lambda now: Starved(now, 0.4, 0.15), waited_s=waited_s)
    assert results(probe) == {"begins": result}


def test_a_freeze_that_the_probe_asked_for_is_no_stall() -> None:
    """The driver that it froze for a second stood still as it was to: one that wakes wrongly fails all the same."""
    broken = next(broken for broken in BROKEN if broken.first == "frozen")
    assert results(under_load(broken.make, "frozen")) == {"frozen": "fails"}


def test_where_the_system_counts_no_waiting_a_late_driver_is_inconclusive() -> None:
    """Without the count nobody knows whose pause it was: not a failure, and not passed."""
    probe = run_probe(lambda now: Starved(now, 0.4, 0.15), only=("heartbeat",), stall_s=STALL_S)
    assert results(probe) == {"heartbeat": "inconclusive"}


@pytest.mark.parametrize(
    ("text", "seconds"),
    [
        ("some avg10=99.63 avg60=99.64 avg300=96.08 total=1214382068\nfull avg10=0.00 total=0\n", 1214.382068),
        ("full avg10=0.00 avg60=0.00 avg300=0.00 total=5\n", None),
        ("some avg10=0.00\n", None),
        ("", None),
        ("some total=-5\n", None),
    ],
)
def test_the_count_of_waiting_is_read_or_not_known(tmp_path: Path, text: str, seconds: float | None) -> None:
    """The kernel's `some total`, in microseconds, as seconds; a file of another form, or none, is not known."""
    file = tmp_path / "cpu"
    assert waited_for_processor_s(str(file)) is None
    file.write_text(text)
    assert waited_for_processor_s(str(file)) == seconds


def test_one_word_for_it_in_table_text_and_json() -> None:
    """The word is inconclusive: in the row, the counts, JSON; what fails is named before it, and the next step fits."""
    probe = under_load(lambda now: Starved(now, 0.4, 0.15), "heartbeat")
    text = verdict.verdict_text(probe.rows, probe.bench.hello)
    assert verdict.row_text(probe.rows[0]).startswith("INCONCLUSIVE  heartbeat")
    assert "1 inconclusive because this machine stalled" in text
    assert "Next: probe again when this machine has less to do: --only heartbeat" in text
    told = json.loads(verdict.verdict_json(probe.rows, probe.bench.hello))
    assert told["checks"][0]["result"] == "inconclusive" and not told["holds"]
    failing = run_probe(next(broken for broken in BROKEN if broken.first == "stops").make, only=("stops",))
    both = [*probe.rows, *failing.rows]
    bad = verdict.first_bad(both)
    assert bad is not None and bad.check.name == "stops"


# The exit sensor.


class DeafSensor(QuickBoard):
    """A board whose exit sensor sees nothing."""

    def read(self, now: float):  # type: ignore[no-untyped-def]
        return replace(super().read(now), exits=0)


class SlowFeeder(QuickBoard):
    """A board that confirms its pushes 80 ms later."""

    def __init__(self) -> None:
        super().__init__()
        self.asked: list[tuple[float, int]] = []

    def feed_one(self, id: int) -> None:
        super().feed_one(id)
        self.asked.append((self.now, id))

    def push_answers(self) -> tuple[PushAnswer, ...]:
        told = [(at_s, id) for at_s, id in self.asked if self.now >= at_s + 0.08]
        self.asked = [asked for asked in self.asked if asked not in told]
        return tuple(PushAnswer(id, at_s, at_s) for at_s, id in told)


def on_board(board: QuickBoard, traits: DriverTraits = TRAITS) -> Callable[[float], DriverCore]:
    return lambda now: DriverCore(traits, board, "boot-1", now)


@pytest.mark.parametrize(
    ("board", "traits", "balls", "result", "saw"),
    [
        (QuickBoard(), TRAITS, 3, "holds", "seen leaving"),
        (DeafSensor(), TRAITS, 3, "fails", "saw no ball"),
        (DeafSensor(), TRAITS, 0, "not known", "--balls N"),
        (QuickBoard(), TRAITS, 0, "not known", "--balls N"),
        (QuickBoard(), replace(TRAITS, exit_sensor=False), 3, "not known", "no exit sensor"),
    ],
    ids=["seen", "loaded and not seen", "not loaded", "not loaded, sound", "no sensor"],
)
def test_a_declared_exit_sensor_must_see_a_loaded_ball(
    board: QuickBoard, traits: DriverTraits, balls: int, result: Result, saw: str
) -> None:
    """With balls loaded a sensor that shows none fails; with none loaded it stands under `not known`, never passed."""
    probe = run_probe(on_board(board, traits), only=("exit-sensor",), balls=balls)
    (row,) = probe.rows
    assert (row.result, row.check.name) == (result, "exit-sensor") and saw in row.saw


def test_balls_that_are_gone_leave_the_sensor_not_known() -> None:
    """Of one loaded ball, thrown by an earlier check, nothing is expected a second time."""
    probe = run_probe(on_board(DeafSensor()), only=("one-ball", "exit-sensor"), balls=1)
    order = [row.check.name for row in probe.rows]
    assert order == ["exit-sensor", "one-ball"] and results(probe)["exit-sensor"] == "fails"
    probe.bench.balls.loaded = 1
    assert probe.bench.balls.left == 0


def test_a_board_that_confirms_its_pushes_later_holds() -> None:
    """`unknown` is no result yet: the checks wait for the end, and a later `done` is no second ball."""
    probe = run_probe(on_board(SlowFeeder()), only=("one-ball", "id-used", "exit-sensor"), balls=9)
    assert set(results(probe).values()) == {"holds"}


def test_a_feeder_that_never_confirms_is_not_passed() -> None:
    """A result that stays `unknown` is told as what it is."""
    board = SlowFeeder()
    board.push_answers = lambda: ()  # type: ignore[method-assign]
    probe = run_probe(on_board(board), only=("one-ball",))
    (row,) = probe.rows
    assert row.result == "fails" and "still unknown" in row.saw


def test_the_bench_peer_is_one(monkeypatch: pytest.MonkeyPatch) -> None:
    """Frames of a second driver at the same link are no part of the verdict on the first."""
    probe = Probe("probe-x", START_S)
    for frame in sound_driver(START_S).tick(START_S):
        probe.receive(PEER, frame, START_S)
    count = probe.bench.frames_in
    for frame in sound_driver(START_S).tick(START_S):
        probe.receive(b"another", frame, START_S)
    assert probe.bench.frames_in == count and count
    assert decode_from_driver(frame)
