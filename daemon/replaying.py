"""Runs a recording again on a driver: the wheels and the tilt as recorded, without a ball.

Rule of this file: no I/O; `now_s` is an argument. It is only the daemon's end of the link: hello, clock, arm, setpoints
as the heartbeat, stop. Whatever the recording says, the ramp limiter comes last before the wire, the feed stays closed,
and any trouble stops the run.
"""

from bisect import bisect_right
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

from drillfeed.daemon.engine.axes import Axes
from drillfeed.daemon.engine.driver import DriverLink
from drillfeed.daemon.engine.link_condition import CLOCK_ARM_S, feed_trouble
from drillfeed.daemon.engine.standing import rest_of
from drillfeed.daemon.engine.timeline import ZERO, Targets
from drillfeed.daemon.machine import Machine
from drillfeed.protocol.link import LEAD_S, MIN_LEAD_S, TICK_S, VALID_S, WATCHDOG_FEED_S, WATCHDOG_STOP_S, Status
from drillfeed.protocol.texts.catalogue import text

READY_S = 30.0
ARM_S = 3.0
REST_SLACK_S = 4.0

Phase = Literal["waiting", "arming", "running", "stopping", "over"]


@dataclass(frozen=True, slots=True)
class Moment:
    """Targets from `at_s` of the recording on: wheels in rpm, tilt in degrees or None to leave it."""

    at_s: float
    top_rpm: float
    bottom_rpm: float
    tilt_deg: float | None


def beyond_limits(moments: Sequence[Moment], machine: Machine) -> str | None:
    """Say which moment exceeds the machine's limits, or return None; a recording with such a moment is not run."""
    tilt = machine.tilt
    for moment in moments:
        for name, rpm in (("top", moment.top_rpm), ("bottom", moment.bottom_rpm)):
            limits = machine.wheel("top" if name == "top" else "bottom").limits()
            if rpm != 0 and not limits.low_rpm <= rpm <= limits.high_rpm:
                allowed = text("replay.from-to", low_rpm=limits.low_rpm, high_rpm=limits.high_rpm)
                return text(
                    "replay.wheel", wheel=name, rpm=rpm, at_s=moment.at_s, machine=machine.name, allowed=allowed
                )
        if moment.tilt_deg is not None and not tilt.low_deg <= moment.tilt_deg <= tilt.high_deg:
            return text(
                "replay.tilt",
                tilt_deg=moment.tilt_deg,
                at_s=moment.at_s,
                machine=machine.name,
                low_deg=tilt.low_deg,
                high_deg=tilt.high_deg,
            )
    return None


class Replayer:
    """One run of a recording. `link.out` collects the frames to send; `phase` and `trouble` are its state."""

    def __init__(self, machine: Machine, session: str, moments: Sequence[Moment], now_s: float) -> None:
        """Start by waiting for a driver; `moments` are in order and not empty."""
        self.machine, self._moments = machine, moments
        self._times = [moment.at_s for moment in moments]
        self.link = DriverLink(machine, session)
        self._axes = Axes(machine, self.link.limits)
        self.phase: Phase = "waiting"
        self.trouble: str | None = None
        self.worst_rpm: dict[str, float] = {}
        self._since_s = self._begin_s = self._next_at_s = now_s
        self._quick = False

    @property
    def length_s(self) -> float:
        """Return how long the run takes, without the slowing down at its end."""
        return self._times[-1] - self._times[0]

    def receive(self, peer: bytes, frame: bytes, now_s: float) -> None:
        """Take one frame from the driver."""
        boot = self.link.driver.hello.boot if self.link.driver else None
        status = self.link.receive(peer, frame, now_s)
        driver = self.link.driver
        if self.phase in ("arming", "running") and driver is not None and driver.hello.boot != boot:
            self.stop(text("replay.began-anew"), now_s)
        if status is not None and self.phase == "running":
            self._measure(status)

    def stop(self, why: str | None, now_s: float) -> None:
        """Bring the wheels down now; `why` is the trouble, or None if the run is simply over."""
        self.trouble = self.trouble or why
        if self.phase == "waiting":
            self._enter("over", now_s)
        if self.phase in ("stopping", "over"):
            return
        self._quick = why is not None
        self._new_epoch("stop", now_s)
        self._enter("stopping", now_s)

    def advance(self, now_s: float) -> None:
        """Advance to `now_s`, every 20 ms: check for trouble, then the phase, then send setpoints."""
        trouble = self._found_trouble(now_s)
        if trouble is not None:
            self.stop(trouble, now_s)
        step = {"waiting": self._wait, "arming": self._arm, "running": self._run, "stopping": self._come_to_rest}
        if self.phase in step:
            step[self.phase](now_s)
        self.link.tick(now_s)
        self._emit(now_s)

    def _enter(self, phase: Phase, now_s: float) -> None:
        self.phase, self._since_s = phase, now_s

    def _new_epoch(self, order: Literal["arm", "stop"] | None, now_s: float) -> None:
        self.link.new_epoch(order, now_s)
        self._next_at_s = now_s + MIN_LEAD_S
        self._axes.limiter.restart(now_s, self._next_at_s)

    def _found_trouble(self, now_s: float) -> str | None:
        status = self.link.status
        if self.phase not in ("arming", "running") or status is None:
            return None
        if self.link.status_age_s(now_s) > WATCHDOG_STOP_S:
            return text("replay.fell-silent")
        if status.faults:
            return "; ".join(f"{fault.part}: {fault.what}" for fault in status.faults)
        if self.phase == "running" and self.link.epoch_shown and status.mode != "armed":
            return text("replay.driver-is", mode=status.mode, why=status.mode_reason or text("replay.no-reason"))
        return feed_trouble(self.link, now_s) if self.phase == "running" else None

    def _wait(self, now_s: float) -> None:
        driver, status, line = self.link.driver, self.link.status, self.link.line
        if driver is not None and driver.mismatch:
            misfits = "; ".join(driver.mismatch)
            self._fail(text("replay.misfit", machine=self.machine.name, misfits=misfits), now_s)
        elif now_s - self._since_s > READY_S:
            self._fail(text("replay.no-driver", ready_s=READY_S), now_s)
        elif (
            status is not None
            and self.link.status_age_s(now_s) < WATCHDOG_FEED_S
            and status.limits_hash == self.link.digest
            and not status.faults
            and rest_of(status, self.machine)[0] is True
            and status.mode == "disarmed"
            and line is not None
            and line.error_s <= CLOCK_ARM_S
        ):
            self._axes.seed(status)
            self._new_epoch("arm", now_s)
            self._enter("arming", now_s)

    def _fail(self, why: str, now_s: float) -> None:
        self.trouble = why
        self._enter("over", now_s)

    def _arm(self, now_s: float) -> None:
        status = self.link.status
        if status is not None and self.link.epoch_shown and status.mode == "armed":
            self._begin_s = now_s + LEAD_S
            self._enter("running", now_s)
        elif now_s - self._since_s > ARM_S:
            self.stop(text("replay.not-armed", why=status.mode_reason if status else text("replay.no-status")), now_s)

    def _run(self, now_s: float) -> None:
        if now_s > self._begin_s + self.length_s:
            self.stop(None, now_s)

    def _come_to_rest(self, now_s: float) -> None:
        status = self.link.status
        fresh = status is not None and self.link.status_age_s(now_s) < WATCHDOG_STOP_S
        if fresh and status is not None and self.link.epoch_shown and rest_of(status, self.machine)[0] is True:
            self._enter("over", now_s)
        elif now_s - self._since_s > 2 * self.machine.spin_down_s + REST_SLACK_S:
            self._fail(self.trouble or text("replay.rest-unseen"), now_s)

    def _targets(self, at_s: float) -> Targets:
        if self.phase != "running" or at_s < self._begin_s:
            return ZERO
        place = bisect_right(self._times, self._times[0] + at_s - self._begin_s)
        if place == 0 or at_s > self._begin_s + self.length_s:
            return ZERO
        moment = self._moments[place - 1]
        return {"top": moment.top_rpm, "bottom": moment.bottom_rpm, "tilt": moment.tilt_deg}

    def _emit(self, now_s: float) -> None:
        line = self.link.line
        if self.link.driver is None or line is None or self.phase == "over":
            return
        self._next_at_s = max(self._next_at_s, now_s + MIN_LEAD_S)
        while self._next_at_s <= now_s + LEAD_S:
            at_s, self._next_at_s = self._next_at_s, self._next_at_s + TICK_S
            self.link.seq += 1
            driver_at_s = line.to_driver(at_s)
            setpoint = self._axes.setpoint(
                at_s,
                self._targets(at_s),
                self._quick,
                session=self.link.session,
                epoch=self.link.epoch,
                seq=self.link.seq,
                at_s=driver_at_s,
                until_s=driver_at_s + VALID_S,
                feeding=False,
            )
            self.link.send(setpoint, now_s)

    def _measure(self, status: Status) -> None:
        """Record the largest difference between a wheel and the driver's output, which the motor could not follow."""
        for wheel, state in (("top", status.top), ("bottom", status.bottom)):
            if state.measured_rpm is not None:
                off = abs(state.measured_rpm - state.target_rpm)
                self.worst_rpm[wheel] = max(self.worst_rpm.get(wheel, 0.0), off)
