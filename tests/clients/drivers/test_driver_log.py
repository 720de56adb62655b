"""The driver's own log: lines of JSON, and what a later checker relies on."""

import json
from pathlib import Path

import pytest

from drillfeed.clients.drivers.event_log import EventLog
from tests.clients.drivers.link_rig import Rig


def test_each_event_is_one_line_of_json_at_once(tmp_path: Path) -> None:
    """A line is in the file as soon as the event has happened, and a second run is appended."""
    path = tmp_path / "driver.jsonl"
    for boot in ("one", "two"):
        with EventLog(path) as log:
            log("boot", 1.25, boot=boot, reason=None)
            assert json.loads(path.read_text().splitlines()[-1]) == {
                "t": 1.25,
                "event": "boot",
                "boot": boot,
                "reason": None,
            }
    assert len(path.read_text().splitlines()) == 2


def test_what_is_no_number_is_blank(tmp_path: Path) -> None:
    """A board that tells NaN or infinity leaves a blank in the log, and a line that is still JSON."""
    with EventLog(tmp_path / "driver.jsonl") as log:
        log("wheels", 1.0, top_true_rpm=float("nan"), bottom_true_rpm=float("inf"), supply_v=24.0)
    told = json.loads((tmp_path / "driver.jsonl").read_text())
    assert (told["top_true_rpm"], told["bottom_true_rpm"], told["supply_v"]) == (None, None, 24.0)


def test_without_a_path_nothing_is_kept() -> None:
    """A driver may run without a log."""
    with EventLog(None) as log:
        log("boot", 1.0)
    assert log.lost == 0


def test_a_full_disk_is_counted_and_stops_nothing() -> None:
    """A log that cannot be written counts what is lost; the driver goes on."""
    full = Path("/dev/full")
    if not full.exists():
        pytest.fail("this system has no /dev/full; run the tests on Linux")
    log = EventLog(full)
    for _ in range(3):
        log("boot", 1.0)
    log.close()
    assert log.lost == 3


def test_the_log_tells_a_run_in_order() -> None:
    """Session, arming, opening, feed with planned and true moment and speeds, stop, closing, rest: all are there."""
    rig = Rig().spin()
    at_s = rig.now + 0.1
    rig.give(rig.setpoint(rpm=1500.0, feeding=True, feeds=((7, at_s),)))
    rig.run(0.2, rpm=1500.0, feeding=True)
    rig.give(rig.order("stop"))
    rig.run(0.5)
    events = [event for event, _, _ in rig.log if event != "wheels"]
    assert events == ["boot", "session", "epoch", "mode", "feed_opened", "feed", "stop", "feed_closed", "mode", "mode"]
    feed = next(what for event, _, what in rig.log if event == "feed")
    assert feed["planned_s"] == at_s and feed["top_rpm"] == feed["top_target_rpm"] == 1500.0


def test_wheels_are_sampled_while_they_turn_and_not_at_rest() -> None:
    """While not at rest there is a sample every 20 ms; at rest there is none."""
    rig = Rig().arm()
    rig.run(1.0)
    assert not [event for event, _, _ in rig.log if event == "wheels"]
    rig.run(1.3, rpm=1500.0)
    samples = [t for event, t, _ in rig.log if event == "wheels"]
    assert len(samples) == pytest.approx(50, abs=1)
