"""Ways to move, stop, watch and feed wrongly."""

from collections.abc import Callable
from typing import Any

from drillfeed.clients.drivers.adapter import DriverCore
from drillfeed.protocol.frames import decode_from_daemon
from drillfeed.protocol.link import Order, Setpoint
from tests.probe.bending import Bent, Break, around, message_of
from tests.probe.virtual_bench import Driver

# Outputs.


def moves_at_once(core: DriverCore) -> None:
    def move(
        old: Callable[..., None], board: Any, limits: Any, wanted: Setpoint | None, hold: bool, now: float
    ) -> None:
        newest = core.queue._waiting[-1] if core.queue._waiting else wanted
        old(board, limits, newest if core.mode == "armed" else wanted, hold=hold, now=now)

    around(core.outputs, "move", move)


def _moving(change: Callable[[Setpoint], Setpoint]) -> Break:
    def breaks(core: DriverCore) -> None:
        around(
            core.outputs,
            "move",
            lambda old, board, limits, wanted, hold, now: old(
                board, limits, None if wanted is None else change(wanted), hold=hold, now=now
            ),
        )

    return breaks


def jumps(core: DriverCore) -> None:
    def move(
        old: Callable[..., None], board: Any, limits: Any, wanted: Setpoint | None, hold: bool, now: float
    ) -> None:
        if wanted is not None:
            core.outputs.top_rpm, core.outputs.bottom_rpm = wanted.top.rpm, wanted.bottom.rpm
        old(board, limits, wanted, hold=hold, now=now)

    around(core.outputs, "move", move)


def double_ramp(core: DriverCore) -> None:
    _moving(
        lambda wanted: wanted.model_copy(
            update={
                name: getattr(wanted, name).model_copy(
                    update={"ramp_rpm_per_s": getattr(wanted, name).ramp_rpm_per_s * 2}
                )
                for name in ("top", "bottom")
            }
        )
    )(core)


def no_own_ramp(core: DriverCore) -> None:
    def move(old: Callable[..., None], board: Any, limits: Any, *words: Any, **more: Any) -> None:
        quick = limits.top.model_copy(update={"up_rpm_per_s": 20000.0, "down_rpm_per_s": 20000.0})
        old(board, limits.model_copy(update={"top": quick, "bottom": quick}), *words, **more)

    around(core.outputs, "move", move)


def stop_cuts_to_zero(core: DriverCore) -> None:
    def wind_down(old: Callable[..., None], *words: Any) -> None:
        core.outputs.top_rpm = core.outputs.bottom_rpm = 0.0
        old(*words)

    around(core.modes, "wind_down", wind_down)


def turns_disarmed(core: DriverCore) -> None:
    def move(
        old: Callable[..., None], board: Any, limits: Any, wanted: Setpoint | None, hold: bool, now: float
    ) -> None:
        latest = core.queue.in_force if core.mode == "armed" else core.latest  # type: ignore[attr-defined]
        if core.mode == "disarmed" and latest is not None and now < latest.until_s:
            wanted = latest
        old(board, limits, wanted, hold=hold, now=now)

    def ask(old: Callable[..., None], message: Setpoint, *words: Any) -> None:
        core.latest = message  # type: ignore[attr-defined]
        old(message, *words)

    core.latest = None  # type: ignore[attr-defined]
    around(core.outputs, "move", move)
    around(core.gate, "ask", ask)


# Orders and watchdog.


def stop_of_own_session_only(core: DriverCore) -> None:
    def order(old: Callable[..., None], message: Order, now: float) -> None:
        if core.session is None or message.session == core.session or message.kind not in ("stop", "disarm"):
            old(message, now)

    around(core, "_order", order)


def stop_needs_hello(core: DriverCore) -> None:
    def order(old: Callable[..., None], message: Order, now: float) -> None:
        if core.session is None:
            core._refuse(message.kind, "no session yet", now)
        else:
            old(message, now)

    around(core, "_order", order)


def stop_by_the_letter(core: DriverCore) -> Driver:
    def read(frame: bytes, now: float) -> bytes:
        try:
            decode_from_daemon(frame)
        except Exception:
            return b"{}" if message_of(frame).get("kind") in ("stop", "disarm") else frame
        return frame

    return Bent(core, read=read)


def no_watchdog(core: DriverCore) -> None:
    core._watch = lambda now, asleep_s: None  # type: ignore[method-assign]


def pings_feed_watchdog(core: DriverCore) -> Driver:
    def read(frame: bytes, now: float) -> bytes:
        if b'"ping"' in frame and core.accepted_s is not None and core.mode == "armed":
            core.accepted_s = now
        return frame

    return Bent(core, read=read)


def refused_feed_watchdog(core: DriverCore) -> None:
    def refuse(old: Callable[..., None], kind: str, *words: Any) -> None:
        if kind == "setpoint" and core.mode == "armed":
            core.accepted_s = words[-1]
        old(kind, *words)

    around(core, "_refuse", refuse)


def trip_goes_away(core: DriverCore) -> None:
    def setpoint(old: Callable[..., None], message: Setpoint, now: float) -> None:
        old(message, now)
        if core.mode == "tripped" and core.accepted_s == now:
            core.modes.enter("armed", None, now)

    around(core, "_setpoint", setpoint)


def watchdog_in_ticks_only(core: DriverCore) -> None:
    def receive(old: Callable[..., list[bytes]], frame: bytes, now: float) -> list[bytes]:
        watch, core._watch = core._watch, lambda now, asleep_s: None  # type: ignore[method-assign]
        try:
            return old(frame, now)
        finally:
            core._watch = watch  # type: ignore[method-assign]

    around(core, "receive", receive)


def every_arm_counts(core: DriverCore) -> None:
    def arm(old: Callable[..., bool], *words: Any) -> bool:
        core.modes.new_session()
        return old(*words)

    around(core.modes, "arm", arm)


def arms_turning(core: DriverCore) -> None:
    def obstacle(old: Callable[..., str | None], *words: Any) -> str | None:
        return None if core.mode == "stopping" else old(*words)

    around(core.modes, "_arm_obstacle", obstacle)


def arms_tripped(core: DriverCore) -> None:
    def obstacle(old: Callable[..., str | None], *words: Any) -> str | None:
        return None if core.mode == "tripped" and not core.outputs.turning else old(*words)

    around(core.modes, "_arm_obstacle", obstacle)


def clears_turning(core: DriverCore) -> None:
    def clear(old: Callable[..., None], now: float) -> None:
        if core.mode == "tripped":
            core.modes.enter("disarmed", None, now)

    around(core.modes, "clear", clear)


def clear_arms(core: DriverCore) -> None:
    def clear(old: Callable[..., None], now: float) -> None:
        tripped = core.mode == "tripped"
        old(now)
        if tripped and core.mode == "disarmed":
            core.modes.enter("armed", None, now)

    around(core.modes, "clear", clear)


def rest_at_once(core: DriverCore) -> None:
    around(core.outputs, "at_rest", lambda old, now: (not core.outputs.turning, "assumed"))


# Feeds.


def feed_stays_open(core: DriverCore) -> None:
    def close(old: Callable[..., None], reason: str, seq: int | None, now: float) -> None:
        if reason != "feeding is false":
            old(reason, seq, now)

    around(core.gate, "close", close)


def feeds_each_copy(core: DriverCore) -> None:
    def done(id: int) -> None:
        core.gate.ledger._spent.pop(id, None)

    around(core.board, "feed_one", lambda old, id: (old(id), done(id)))


def feeds_twice(core: DriverCore) -> None:
    around(core.board, "feed_one", lambda old, id: (old(id), old(id)))


def _obstacle_without(word: str) -> Break:
    def breaks(core: DriverCore) -> None:
        def obstacle(old: Callable[..., str | None], *words: Any) -> str | None:
            told: str | None = old(*words)
            return None if told is not None and word in told else told

        around(core.gate, "_obstacle", obstacle)

    return breaks


def feeds_early(core: DriverCore) -> None:
    def ask(old: Callable[..., None], message: Setpoint, *words: Any) -> None:
        sooner = tuple(feed.model_copy(update={"at_s": feed.at_s - 0.1}) for feed in message.feeds)
        old(message.model_copy(update={"feeds": sooner}), *words)

    around(core.gate, "ask", ask)


def feeds_wait_over_stop(core: DriverCore) -> None:
    def stop(old: Callable[..., None], *words: Any) -> None:
        waiting = dict(core.gate.ledger.waiting)
        core.gate.ledger.waiting.clear()
        old(*words)
        for id in waiting:
            core.board.feed_one(id)
            core.gate.ledger.done(id, waiting[id], words[-1])

    around(core.modes, "stop", stop)


def feeds_wait_over_epoch(core: DriverCore) -> None:
    def new_epoch(old: Callable[..., None], ended: int, now: float) -> None:
        waiting = dict(core.gate.ledger.waiting)
        core.gate.ledger.waiting.clear()
        old(ended, now)
        core.gate.ledger.waiting.update(waiting)

    around(core.gate, "new_epoch", new_epoch)
