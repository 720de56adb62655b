"""What must hold of a driver's own log, whatever was done to daemon, link and driver: the global invariants.

Rule of this file: it reads the log (DRIVER_LOG.md) and the driver's limits, and nothing that the daemon says.
"""

import json
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from drillfeed.clients.drivers.board import Note
from drillfeed.protocol.link import LATE_S, WHEELS, Limits

LogEvent = Mapping[str, Any]

TICK_S = 0.005
MAX_DT_S = 0.050
ROUNDED_RPM = 0.2
ORDERS_TO_REST = ("stop", "disarm", "watchdog", "slept")


def read_log(path: Path) -> list[dict[str, Any]]:
    """Return the events of a log file; a half-written last line, as a killed process leaves it, is passed over."""
    events: list[dict[str, Any]] = []
    if not path.exists():
        return events
    for line in path.read_bytes().split(b"\n"):
        try:
            events.append(json.loads(line))
        except ValueError:
            continue
    return events


def keep_log(into: list[dict[str, Any]]) -> Note:
    """Return a note function that collects the driver's log in a list, in the form of its log file."""

    def note(event: str, t: float, /, **what: Any) -> None:
        into.append({"t": t, "event": event, **what})

    return note


@dataclass
class LogWatch:
    """What has been read so far of one driver's life, and what was wrong in it, one line each."""

    limits: Limits
    found: list[str] = field(default_factory=list)
    session: object = None
    epoch: int = 0
    mode: str = "disarmed"
    feed_open: bool = False
    called_to_rest_s: float | None = None
    used_ids: set[int] = field(default_factory=set)
    wheels: LogEvent | None = None
    armed_since_wheels: bool = False

    def take(self, event: LogEvent) -> None:
        """Hold the next event of the log against the invariants."""
        read = _READ.get(event["event"])
        if read is not None:
            read(self, event)

    def say(self, event: LogEvent, text: str) -> None:
        """Note a breach."""
        self.found.append(f"{event['t']:.3f}: {text}")


def _boot(watch: LogWatch, event: LogEvent) -> None:
    watch.session, watch.epoch, watch.mode = None, 0, "disarmed"
    watch.feed_open, watch.called_to_rest_s, watch.wheels = False, None, None


def _session(watch: LogWatch, event: LogEvent) -> None:
    watch.session, watch.epoch = event["session"], 0
    watch.used_ids.clear()


def _epoch(watch: LogWatch, event: LogEvent) -> None:
    if event["epoch"] <= watch.epoch:
        watch.say(event, f"epoch {event['epoch']} after {watch.epoch}")
    watch.epoch = event["epoch"]


def _mode(watch: LogWatch, event: LogEvent) -> None:
    if event["mode"] == "armed" and watch.mode != "disarmed":
        watch.say(event, f"armed out of {watch.mode}")
    if event["mode"] == "armed":
        watch.called_to_rest_s = None
        watch.armed_since_wheels = True
    if watch.mode == "tripped" and event["mode"] == "disarmed" and watch.wheels is not None:
        turning = [wheel for wheel in WHEELS if abs(watch.wheels[f"{wheel}_out_rpm"]) > ROUNDED_RPM]
        if turning and event["t"] - watch.wheels["t"] < 2 * TICK_S:
            watch.say(event, f"cleared while the output of the {turning[0]} wheel was not zero")
    watch.mode = event["mode"]


def _to_rest(watch: LogWatch, event: LogEvent) -> None:
    watch.called_to_rest_s = event["t"]


def _opened(watch: LogWatch, event: LogEvent) -> None:
    watch.feed_open = True
    if watch.called_to_rest_s is not None:
        watch.say(event, "feed opened after a call to rest, with no arming between")


def _closed(watch: LogWatch, event: LogEvent) -> None:
    watch.feed_open = False


def _feed(watch: LogWatch, event: LogEvent) -> None:
    late_s = event["t"] - event["planned_s"]
    if late_s > LATE_S + 1e-6 or late_s < -1e-6:
        watch.say(event, f"feed {event['id']} {late_s * 1000:.1f} ms off its moment")
    if event["id"] in watch.used_ids:
        watch.say(event, f"feed {event['id']} a second time")
    watch.used_ids.add(event["id"])
    if not watch.feed_open:
        watch.say(event, f"feed {event['id']} while the feed is closed")
    if watch.mode != "armed":
        watch.say(event, f"feed {event['id']} in mode {watch.mode}")
    if watch.called_to_rest_s is not None:
        watch.say(event, f"feed {event['id']} after a call to rest")
    if event["epoch"] != watch.epoch:
        watch.say(event, f"feed {event['id']} of epoch {event['epoch']} in epoch {watch.epoch}")


def _wheels(watch: LogWatch, event: LogEvent) -> None:
    before, watch.wheels = watch.wheels, event
    armed_between, watch.armed_since_wheels = watch.armed_since_wheels, watch.mode == "armed"
    for wheel in WHEELS:
        bound = getattr(watch.limits, wheel)
        for what in ("out", "target"):
            rpm = event[f"{wheel}_{what}_rpm"]
            if rpm is not None and not bound.low_rpm - ROUNDED_RPM <= rpm <= bound.high_rpm + ROUNDED_RPM:
                watch.say(event, f"{wheel} {what} {rpm:g} rpm, limits {bound.low_rpm:g} to {bound.high_rpm:g}")
        if before is None:
            continue
        # Between two samples lie ticks of at most 50 ms each that count; one tick more for the edge.
        counted_s = event["t"] - before["t"] + TICK_S
        was, now = abs(before[f"{wheel}_out_rpm"]), abs(event[f"{wheel}_out_rpm"])
        rate = bound.up_rpm_per_s if now > was else max(bound.down_rpm_per_s, bound.quick_rpm_per_s)
        if abs(now - was) > rate * counted_s + ROUNDED_RPM:
            watch.say(event, f"{wheel} output stepped from {was:g} to {now:g} rpm in {counted_s * 1000:.0f} ms")
        if now > was + ROUNDED_RPM and not armed_between:
            watch.say(event, f"{wheel} output rose in mode {watch.mode}")


_READ = {
    "boot": _boot,
    "session": _session,
    "epoch": _epoch,
    "mode": _mode,
    "feed_opened": _opened,
    "feed_closed": _closed,
    "feed": _feed,
    "wheels": _wheels,
    **dict.fromkeys(ORDERS_TO_REST, _to_rest),
}


def breaches(events: Iterable[LogEvent], limits: Limits) -> list[str]:
    """Return every breach of the global invariants that a log shows, one line each; empty where all hold."""
    watch = LogWatch(limits)
    for event in events:
        watch.take(event)
    return watch.found


def times(events: Sequence[LogEvent], name: str, after_s: float = float("-inf"), **what: object) -> list[float]:
    """Return the moments of the events called `name` from `after_s` on, whose fields are as given."""
    return [
        event["t"]
        for event in events
        if event["event"] == name
        and event["t"] >= after_s
        and all(event.get(key) == value for key, value in what.items())
    ]


def truly_out_of_band(events: Iterable[LogEvent], band: Callable[[float], float]) -> list[LogEvent]:
    """Return the pushes at which a wheel truly was out of band, whatever its sensor showed.

    `band` gives the rpm allowed either way of a target. The truth is what the simulated thrower logged last before.
    """
    found: list[LogEvent] = []
    true: LogEvent | None = None
    for event in events:
        if event["event"] == "wheels":
            true = event
        elif event["event"] == "feed" and true is not None:
            targets = [(wheel, event[f"{wheel}_target_rpm"]) for wheel in WHEELS]
            if any(abs(true[f"{wheel}_true_rpm"] - target) > band(target) for wheel, target in targets):
                found.append(event)
    return found


def worst_wake_ms(events: Iterable[LogEvent], from_s: float, until_s: float) -> float:
    """Return how late the driver's loop woke at worst in a stretch of time, in ms; 0 where it never was."""
    late = [
        event["late_ms"]
        for event in events
        if event["event"] == "late_wake" and from_s <= event["t"] <= until_s + event["late_ms"] / 1000
    ]
    return max(late, default=0.0)
