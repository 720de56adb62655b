"""Recordings: what is kept of the stream, what is read back, and how it is drawn."""

import json
import re
import xml.etree.ElementTree as ElementTree
from functools import cache
from itertools import pairwise

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from drillfeed.clients.recording import NoRecording, Recorder, read_recording
from drillfeed.clients.recording_svg import Points, draw, nice_step, thinned
from tests.support.recorded import BEGAN, ObservedHall, recorded_drill

SVG = "{http://www.w3.org/2000/svg}"


@cache
def drill() -> tuple[ObservedHall, list[str]]:
    """A drill of four balls, recorded once for all tests."""
    return recorded_drill()


def test_every_setpoint_and_status_is_kept_in_order() -> None:
    """A line for each message of the stream, with the time since the beginning, the message itself unchanged."""
    hall, lines = drill()
    rows = [json.loads(line) for line in lines[1:]]
    assert len(rows) == len(hall.stream)
    assert [row["message"] for row in rows] == [json.loads(parts[1]) for _, parts in hall.stream]
    assert [row["t"] for row in rows] == sorted(row["t"] for row in rows)


def test_what_is_read_back_is_what_the_driver_did() -> None:
    """Asked, limited and measured stand on one clock, and the balls are those of the driver's own log."""
    hall, lines = drill()
    recording = read_recording(lines)
    assert (recording.began, recording.passed_over, recording.gaps) == (BEGAN, 0, 0)
    first_s = hall.stream[0][0] + hall.hall.driver_offset_s
    fed_s = [event["t"] - first_s for event in hall.feeds()]
    assert recording.fed_s == pytest.approx(fed_s, abs=0.002)
    feed = hall.feeds()[1]
    asked = max(
        (setpoint for setpoint in recording.asked if setpoint.at_s <= fed_s[1]), key=lambda setpoint: setpoint.at_s
    )
    assert asked.top_rpm == pytest.approx(feed["top_target_rpm"])
    told = min(recording.told, key=lambda setpoint: abs(setpoint.at_s - fed_s[1]))
    assert told.limited["top"] == pytest.approx(feed["top_out_rpm"], abs=1)
    assert told.measured["top"] == pytest.approx(feed["top_rpm"], rel=0.02)


def test_silence_is_a_gap_and_a_daemon_that_begins_anew_is_heard_on() -> None:
    """Three seconds of nothing are told once; what comes after, of another boot, is kept on the same time."""
    hall, _ = drill()
    recorder = Recorder("x", BEGAN, 0.0)
    status = next(json.loads(parts[1]) for _, parts in hall.stream if parts[0] == b"status")
    lines = [recorder.head]
    for now, boot, clock in ((0.02, "boot-one", 77.0), (0.04, "boot-one", 77.02), (3.04, "boot-two", 5.0)):
        frame = json.dumps({**status, "boot": boot, "now_s": clock}).encode()
        lines += recorder.take([b"status", frame], now)
    assert json.loads(lines[3]) == {"t": 3.04, "topic": "gap", "silent_s": 3.0}
    recording = read_recording(lines)
    assert recording.gaps == 1 and [status.at_s for status in recording.told] == pytest.approx([0.02, 0.04, 3.04])


@settings(deadline=None)
@given(st.lists(st.binary(max_size=60), max_size=4))
def test_a_recorder_passes_over_what_is_no_message(parts: list[bytes]) -> None:
    """Whatever else is sent on the stream is counted and not written."""
    recorder = Recorder("x", BEGAN, 0.0)
    assert list(recorder.take(parts, 1.0)) == [] and recorder.counts["passed over"] == 1


@settings(deadline=None)
@given(st.lists(st.text(max_size=80), max_size=6))
def test_lines_that_cannot_be_read_are_counted(rows: list[str]) -> None:
    """Garbage and a half-written last line cost themselves and nothing else."""
    _, lines = drill()
    recording = read_recording([*lines[:40], *rows, lines[40][:30], *lines[41:60]])
    assert recording.passed_over == len(rows) + 1 and len(recording.told) > 10


def test_a_newer_setpoint_drops_those_that_waited() -> None:
    """After a stop the driver drops what it held: what was asked for a later moment is not drawn as asked."""
    hall = ObservedHall().feeding()
    hall.ok("stop")
    hall.hall.run_for(2.0)
    asked = read_recording(hall.lines()).asked
    assert all(a.at_s < b.at_s for a, b in pairwise(asked)) and asked[-1].top_rpm == 0


@pytest.mark.parametrize("first", ["", "{}", '{"recording":2}', "x", "[1]"])
def test_another_file_is_not_taken_for_a_recording(first: str) -> None:
    """A file without the head of a recording is refused by name."""
    with pytest.raises(NoRecording, match="no recording of version 1"):
        read_recording([first])


def test_the_drawing_is_sound_and_labelled_with_units() -> None:
    """Well-formed SVG of its own: three panels, the three lines named, units on every axis, a mark for each ball."""
    _, lines = drill()
    root = ElementTree.fromstring(draw(read_recording(lines), "warm-up <1>"))
    words = [text.text for text in root.iter(f"{SVG}text")]
    for wanted in ("top wheel, rpm", "bottom wheel, rpm", "tilt, degrees", "time since the recording began, s"):
        assert wanted in words
    assert {"asked by the daemon", "limited by the driver", "measured", "4 balls fed", "warm-up <1>"} <= set(words)
    paths = list(root.iter(f"{SVG}path"))
    assert len(paths) == 9 and len({path.get("stroke-dasharray", path.get("stroke-width")) for path in paths}) == 3
    marks = [line for line in root.iter(f"{SVG}line") if line.get("stroke-width") == "2"]
    assert len(marks) == 3 * 4 + 1


def test_everything_drawn_lies_on_the_sheet() -> None:
    """No point of a line is outside its panel."""
    _, lines = drill()
    svg = draw(read_recording(lines), "x")
    box = [float(part) for part in re.search(r'viewBox="([^"]*)"', svg).group(1).split()]  # type: ignore[union-attr]
    places = re.findall(r"[ML]([\d.-]+) ([\d.-]+)", svg)
    assert places and all(0 <= float(x) <= box[2] and 0 <= float(y) <= box[3] for x, y in places)


def test_what_was_not_measured_is_a_hole_and_no_zero() -> None:
    """A speed that is missing for a while lifts the pen; a machine that measures nothing has no such line."""
    hall, _ = drill()
    recorder = Recorder("x", BEGAN, 0.0)
    status = next(json.loads(parts[1]) for _, parts in hall.stream if parts[0] == b"status")
    lines = [recorder.head]
    for n in range(30):
        wheel = {"target_rpm": 900.0, **({} if 10 <= n < 20 else {"measured_rpm": 900.0})}
        message = {**status, "now_s": 50 + n / 50, "top": wheel, "bottom": {"target_rpm": 0.0}}
        lines += recorder.take([b"status", json.dumps(message).encode()], n / 50)
    svg = draw(read_recording(lines), "x")
    measured = re.search(r'<path d="([^"]*)"[^>]*><title>measured', svg)
    assert measured is not None and measured.group(1).count("M") == 2
    assert svg.count("<title>measured") == 2 - 1 + ("tilt" in status and "measured_deg" in status["tilt"])


@settings(deadline=None)
@given(st.lists(st.one_of(st.none(), st.floats(-1e4, 1e4)), min_size=1, max_size=4000))
def test_thinning_keeps_extremes_and_holes(values: list[float | None]) -> None:
    """However many points there are: few are left, with the same least and greatest value, in order of time."""
    points: Points = [(n / 50, value) for n, value in enumerate(values)]
    few = thinned(points, 100)
    known, left = [v for v in values if v is not None], [v for _, v in few if v is not None]
    assert len(few) <= max(len(points) if len(points) <= 100 else 160, 1)
    assert not known or (min(left), max(left)) == (min(known), max(known))
    assert [at for at, _ in few] == sorted(at for at, _ in few) or len(points) > 100
    assert (None in values) == (None in [v for _, v in few])


@pytest.mark.parametrize(("span", "step"), [(10, 2), (7, 2), (100, 20), (6000, 1000), (0.3, 0.05), (55, 10)])
def test_steps_are_one_two_or_five(span: float, step: float) -> None:
    """Ticks stand at numbers a person would choose."""
    assert nice_step(span) == pytest.approx(step)
