"""Ways to tell and to read messages wrongly."""

import json
import math
from collections.abc import Callable
from typing import Any

from drillfeed.clients.drivers.adapter import DriverCore
from drillfeed.protocol.link import Setpoint
from tests.probe.bending import Bent, Break, around, message_of
from tests.probe.virtual_bench import Driver

# What is told.


def silent_until_greeted(core: DriverCore) -> Driver:
    return Bent(
        core, told=lambda message: None if message["kind"] == "hello" and core.report._hello_s > 1051.5 else message
    )


def speeds_in_revps(core: DriverCore) -> Driver:
    def told(message: dict[str, Any]) -> dict[str, Any]:
        if message["kind"] == "hello":
            for wheel in ("top", "bottom"):
                message["limits"][wheel] = {key: value / 60 for key, value in message["limits"][wheel].items()}
        return message

    return Bent(core, told=told)


def slow_status(core: DriverCore) -> Driver:
    count = iter(range(10**9))
    return Bent(core, told=lambda message: None if message["kind"] == "status" and next(count) % 5 else message)


def target_as_measured(core: DriverCore) -> Driver:
    def told(message: dict[str, Any]) -> dict[str, Any]:
        if message["kind"] == "status":
            message["top"]["measured_rpm"] = message["top"]["target_rpm"]
        return message

    return Bent(core, told=told)


def pong_counts_itself(core: DriverCore) -> Driver:
    return Bent(core, told=lambda message: {**message, "n": message["n"] + 1} if message["kind"] == "pong" else message)


def clock_in_ms(core: DriverCore) -> Driver:
    return Bent(
        core, told=lambda message: {**message, "now_s": message["now_s"] * 1000} if "now_s" in message else message
    )


def age_always_zero(core: DriverCore) -> Driver:
    return Bent(
        core, told=lambda message: {**message, "watchdog_age_ms": 0.0} if "watchdog_age_ms" in message else message
    )


def nan_in_status(core: DriverCore) -> Driver:
    return Bent(
        core, told=lambda message: {**message, "supply_v": float("nan")} if message["kind"] == "status" else message
    )


def refusal_frames(core: DriverCore) -> Driver:
    driver = Bent(core)
    around(core.report, "refused", lambda old, kind, reason: (old(kind, reason), setattr(core.report, "_told", ())))
    return driver


# Sessions.


def own_hash(core: DriverCore) -> Driver:
    def read(frame: bytes, now: float) -> bytes:
        told = message_of(frame)
        if told.get("kind") == "hello":
            told["limits"] = json.loads(core.traits.limits.model_dump_json())
            told["limits_hash"] = core.traits.limits.digest()
        return json.dumps(told).encode() if told else frame

    return Bent(core, read=read)


def hello_to_each(core: DriverCore) -> None:
    around(core, "_hello", lambda old, message, now: [*old(message, now), core.report.hello(now)][-2:])


def any_old_session(core: DriverCore) -> None:
    core._past_sessions = type(core._past_sessions)(maxlen=0)


def any_watchdog(core: DriverCore) -> Driver:
    def read(frame: bytes, now: float) -> bytes:
        told = message_of(frame)
        times = {"watchdog_feed_ms": 250.0, "watchdog_stop_ms": 500.0}
        return json.dumps({**told, **times}).encode() if told.get("kind") == "hello" else frame

    return Bent(core, read=read)


def stays_armed_in_new_session(core: DriverCore) -> None:
    def adopt(old: Callable[..., None], session: str, now: float) -> None:
        mode, core.modes.mode = core.mode, "disarmed"
        old(session, now)
        core.modes.mode = mode

    around(core, "_adopt", adopt)


# Setpoints.


def dies_of_garbage(core: DriverCore) -> Driver:
    def read(frame: bytes, now: float) -> bytes:
        json.loads(frame)
        return frame

    return Bent(core, read=read)


def _tolerant(change: Callable[[dict[str, Any]], dict[str, Any]]) -> Break:
    def read(frame: bytes, now: float) -> bytes:
        told = message_of(frame)
        return json.dumps(change(told)).encode() if told.get("kind") == "setpoint" else frame

    return lambda core: Bent(core, read=read)


def _nan_to_zero(told: dict[str, Any]) -> dict[str, Any]:
    top = told.get("top")
    if isinstance(top, dict) and isinstance(top.get("rpm"), float) and not abs(top["rpm"]) < 1e300:
        return {**told, "top": {**top, "rpm": 0.0}}
    return told


def _clamped(told: dict[str, Any]) -> dict[str, Any]:
    for wheel in ("top", "bottom"):
        target = told.get(wheel)
        if isinstance(target, dict) and isinstance(target.get("rpm"), float) and math.isfinite(target["rpm"]):
            told = {**told, wheel: {**target, "rpm": min(max(target["rpm"], 0.0), 6000.0)}}
    return told


def any_session(core: DriverCore) -> Driver:
    def read(frame: bytes, now: float) -> bytes:
        told = message_of(frame)
        ours = told.get("kind") == "setpoint" and core.session is not None
        return json.dumps({**told, "session": core.session}).encode() if ours else frame

    return Bent(core, read=read)


def any_epoch(core: DriverCore) -> None:
    def setpoint(old: Callable[..., None], message: Setpoint, now: float) -> None:
        old(message.model_copy(update={"epoch": max(message.epoch, core.epoch)}), now)

    around(core, "_setpoint", setpoint)


def any_seq(core: DriverCore) -> None:
    def setpoint(old: Callable[..., None], message: Setpoint, now: float) -> None:
        before, core.accepted_s = (core.seq, core.accepted_s), None
        if message.epoch == core.epoch:
            core.seq = None
        old(message, now)
        if core.accepted_s is None:
            core.seq, core.accepted_s = before

    around(core, "_setpoint", setpoint)


def never_too_old(core: DriverCore) -> None:
    def setpoint(old: Callable[..., None], message: Setpoint, now: float) -> None:
        fresh = message.at_s < message.until_s < now
        old(message.model_copy(update={"until_s": now + 0.3, "at_s": now}) if fresh else message, now)

    around(core, "_setpoint", setpoint)


def keeps_seq_over_epochs(core: DriverCore) -> None:
    def new_epoch(old: Callable[..., None], epoch: int, now: float) -> None:
        seq = core.seq
        old(epoch, now)
        core.seq = seq

    around(core, "_new_epoch", new_epoch)


def keeps_queue_over_epochs(core: DriverCore) -> None:
    def new_epoch(old: Callable[..., None], epoch: int, now: float) -> None:
        waiting, moments = list(core.queue._waiting), list(core.queue._moments)
        old(epoch, now)
        core.queue._waiting, core.queue._moments = waiting, moments

    around(core, "_new_epoch", new_epoch)


class LooseQueue:
    """A queue that forgets one of its rules; what it does else is the sound one's doing."""

    def __init__(self, queue: Any, at_once: bool = False, for_ever: bool = False) -> None:
        self._queue, self._at_once, self._for_ever = queue, at_once, for_ever

    def __getattr__(self, name: str) -> Any:
        return getattr(self._queue, name)

    def add(self, message: Setpoint) -> None:
        if self._at_once:
            message = message.model_copy(update={"at_s": 0.0})
        if self._for_ever:
            message = message.model_copy(update={"until_s": message.until_s + 1e6})
        self._queue.add(message)

    def keep_all(self, message: Setpoint) -> None:
        at = sum(moment <= message.at_s for moment in self._queue._moments)
        self._queue._waiting.insert(at, message)
        self._queue._moments.insert(at, message.at_s)


def acts_at_once(core: DriverCore) -> None:
    core.queue = LooseQueue(core.queue, at_once=True)  # type: ignore[assignment]


def never_expires(core: DriverCore) -> None:
    core.queue = LooseQueue(core.queue, for_ever=True)  # type: ignore[assignment]


def nothing_replaced(core: DriverCore) -> None:
    loose = LooseQueue(core.queue)
    loose.add = loose.keep_all  # type: ignore[method-assign]
    core.queue = loose  # type: ignore[assignment]
