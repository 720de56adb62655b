"""The engine: one thrower, one driver, one drill, on a clock that is an argument.

Rule of this file: the order of one `advance` never changes. First what must not go on, then the state's own
progress, then setpoints. Whatever is asked, the ramp limiter is the last thing before the wire.
"""

from dataclasses import dataclass

from drillfeed.daemon.drills.profiles import Profile
from drillfeed.daemon.engine.astray import AxisWatch
from drillfeed.daemon.engine.axes import Axes
from drillfeed.daemon.engine.changing import Wanted, forget
from drillfeed.daemon.engine.contradictions import Doubts, Sent, future, in_reason
from drillfeed.daemon.engine.driver import DriverLink, OrderKind
from drillfeed.daemon.engine.effects import Effects, Event, Field
from drillfeed.daemon.engine.hazards import Fault, first_hazard
from drillfeed.daemon.engine.offers import Offer
from drillfeed.daemon.engine.progress import PROGRESS
from drillfeed.daemon.engine.run import DrillRun
from drillfeed.daemon.engine.schedule import ZERO, Legs, Slot
from drillfeed.daemon.engine.setup import SETUP_LEAD_S, Setup
from drillfeed.daemon.engine.standing import StandingWatch, rest_of
from drillfeed.daemon.engine.states import ENDS_ARMED, after
from drillfeed.daemon.engine.states import Event as StateEvent
from drillfeed.daemon.engine.unconfirmed import Unconfirmed
from drillfeed.daemon.machine import Machine
from drillfeed.daemon.planning.plan import DrillPlan
from drillfeed.protocol.errors import Refused
from drillfeed.protocol.lines import Reply, done, refusal
from drillfeed.protocol.link import LEAD_S, LEAST_LEAD_S, TICK_S, VALID_S, WATCHDOG_STOP_S, Feed, Status
from drillfeed.protocol.sleep import SleepWatch
from drillfeed.protocol.spec import Caller
from drillfeed.protocol.status import Known, State

ANSWER_S = 2.0
SILENT_S = 6.0
REST_SLACK_S = 2.0


@dataclass
class Pending:
    """A command whose answer waits for the driver."""

    token: int
    verb: str
    until_s: float


@dataclass
class Hopper:
    """Balls believed in the hopper, as a person told and feeds counted down; None until told."""

    left: int | None = None
    warned: bool = False


class Engine:
    """Holds everything that changes. The shell calls `receive`, the commands, and `advance` each tick."""

    def __init__(self, machine: Machine, session: str, now_s: float, cautions_accepted: bool = False) -> None:
        self.machine = machine
        self.link = DriverLink(machine, session)
        self.axes = Axes(machine, self.link.limits)
        self.legs = Legs()
        self.axis_watch = AxisWatch(machine)
        self.standing = StandingWatch(machine)
        self.doubts = Doubts()
        self.effects = Effects()
        self.state: State = "OFFLINE"
        self.since_s = now_s
        self.ticked_s = now_s
        self.sleep = SleepWatch()
        self.slept_s: float | None = None
        self.reason: str | None = "no motor driver has said hello"
        self.fault: Fault | None = None
        self.stop_count = 0
        self.profile: Profile | None = None
        self.plan: DrillPlan | None = None
        self.run: DrillRun | None = None
        self.unconfirmed = Unconfirmed()
        self.wanted: Wanted | None = None
        self.queued: Wanted | None = None
        self.hopper = Hopper()
        self.offer: Offer | None = None
        self.setup: Setup | None = None
        self.crank_turns: int | None = 0
        self.cautions_accepted = cautions_accepted
        self.pending: Pending | None = None
        self.quick = False
        self.turn_s = 0.0 if machine.feeder.kind == "indexed" else machine.feeder.cycle_s
        self._feed_open = False
        self.then_armed = False
        self.open_window_s: float | None = None
        self.spinup_due_s = now_s
        self.rest_until_s: float | None = None
        self.hold_until_s: float | None = None
        self.homed_boot: str | None = None
        self.arrived_s: float | None = None
        self.parked = True
        self._feed_id = 0
        self.next_at_s = now_s
        self._epoch_unsent = False
        self._exits_seen: int | None = None
        self.told_seconds: int | None = None

    # Telling.

    def tell(self, topic: str, text: str, now_s: float, cue: str | None = None, **fields: Field) -> None:
        """Let watchers and the record know."""
        self.effects.events.append(Event(now_s, topic, text, cue, fields))

    def take_effects(self) -> Effects:
        """Hand over what has collected."""
        effects, self.effects = self.effects, Effects()
        return effects

    def answer(self, token: int, reply: Reply) -> None:
        """Answer a command."""
        self.effects.replies.append((token, reply))

    # States.

    def move(self, event: StateEvent, now_s: float, reason: str | None = None, cue: str | None = None) -> bool:
        """Follow the table; return whether `event` has an effect in the present state."""
        state = after(self.state, event)
        if state is None:
            return False
        before, self.state, self.reason = self.state, state, reason
        if state != before:
            self.since_s = now_s
        self.then_armed = state == "STOPPING" and event == ENDS_ARMED
        if state != "RESTING":
            self.rest_until_s = None
        if state != "SETUP":
            self.setup = None
        why = f": {reason}" if reason else ""
        self.tell("state", f"{state}{why}", now_s, cue, state=state, before=before, event=event, reason=reason)
        if state in ("STOPPING", "QUICKSTOP"):
            forget(self, now_s)
        return True

    def begin_epoch(self, order: OrderKind | None, now_s: float) -> None:
        """Start a new epoch: the driver drops what it holds; its first setpoint goes on from what is in force then."""
        self.link.new_epoch(order, now_s)
        self.next_at_s = now_s + LEAST_LEAD_S
        self._epoch_unsent = True

    def next_feed_id(self) -> int:
        """Return a feed id never used in this session."""
        self._feed_id += 1
        return self._feed_id

    def latch(self, fault: Fault, now_s: float) -> None:
        """Latch the first cause and come to rest: feed first, wheels second."""
        if self.fault is None:
            self.fault = fault
            self.tell(
                "fault",
                f"{fault.cause}: {fault.text}",
                now_s,
                "fault",
                cause=fault.cause,
                hint=fault.hint,
                next_step=fault.next_step,
                seen=fault.text,
                recent=self.link.recent_lines(now_s),
            )
        self.stop_count += 1
        self._fall(now_s)
        self.move("fault", now_s, f"{self.fault.cause}: {self.fault.text}", "fault")

    def stop(self, caller: Caller, token: int | None, now_s: float) -> None:
        """Stop, from anyone, in any state: feeder and agitator off at once, wheels down at once."""
        self.link.note(now_s, "command", f"stop by {caller.name} ({caller.where})")
        was_feeding = self.state == "FEEDING"
        self.stop_count += 1
        self._fall(now_s)
        # A stop on top of a fault is carried out and changes nothing about the cause that is shown.
        reason = self.reason if self.fault is not None else f"stopped by {caller.name} ({caller.where})"
        self.move("stop", now_s, reason, "stop")
        late = "; one ball already fed may still leave" if was_feeding else ""
        if token is not None:
            self.answer(token, done("stop", f"stopping{late}; stop count {self.stop_count}"))

    def _fall(self, now_s: float) -> None:
        if self.run is not None and self.state in ("FEEDING", "SPINUP", "PAUSED", "RESTING"):
            self.open_window_s = self.run.set_run.window_end_s()
        self.legs.put(now_s, ZERO)
        self.quick = True
        self.begin_epoch("stop", now_s)
        if self.pending is not None:
            self.refuse_pending(Refused("superseded", f"{self.pending.verb} was overtaken by a stop or a fault"))

    def _crank_cut_short(self, now_s: float) -> None:
        """A crank by time, cut in mid-turn by a feed that closes, stands nobody knows where."""
        if self.machine.feeder.kind != "crank-timed" or self.run is None:
            return
        turning = (slot for slot in self.run.set_run.slots if slot.told and slot.outcome in (None, "fed", "unknown"))
        if any(slot.feed_at_s - TICK_S <= now_s <= slot.feed_at_s + self.turn_s for slot in turning):
            self.crank_turns = None

    def refuse_pending(self, refused: Refused) -> None:
        """Refuse the command that waits for the driver."""
        if self.pending is not None:
            self.answer(self.pending.token, refusal(self.pending.verb, refused))
            self.pending = None

    # What comes in.

    def receive(self, peer: bytes, frame: bytes, now_s: float) -> None:
        """Take one frame from the link."""
        boot = self.link.driver.hello.boot if self.link.driver else None
        status = self.link.receive(peer, frame, now_s)
        driver = self.link.driver
        if driver is not None and driver.hello.boot != boot:
            self._new_driver(now_s)
        if status is not None:
            self._doubt(status, now_s)
            self._take_status(in_reason(status), now_s)

    def _doubt(self, status: Status, now_s: float) -> None:
        may_be_armed = self.state != "IDLE" or self.pending is not None
        link = self.link
        sent = Sent(self.machine, link.session, link.epoch, link.seq, link.newest_id, may_be_armed)
        for line in self.doubts.see(status, sent, now_s):
            self.tell("log", line, now_s)

    def _new_driver(self, now_s: float) -> None:
        driver = self.link.driver
        assert driver is not None
        self._exits_seen = None
        self.doubts = Doubts()
        self.tell("link", f"driver {driver.hello.driver} connected", now_s, boot=driver.hello.boot)
        for line in driver.mismatch:
            self.tell("link", f"does not fit the machine profile: {line}", now_s)
        if self.state not in ("OFFLINE", "IDLE", "FAULT"):
            self.latch(
                Fault("driver-restarted", "the driver began anew", now_s, "power or program of the driver", "clear"),
                now_s,
            )

    def _take_status(self, status: Status, now_s: float) -> None:
        run, line = self.run, self.link.line
        if line is not None and status.session == self.link.session:
            # Of several results of an id the first one listed counts: an id that was asked for anew adds another.
            for result in {result.id: result for result in reversed(status.feeds)}.values():
                if result.id > self.link.newest_id or future(result.at_s, status) is not None:
                    continue  # nothing that was never asked for, or has not been yet, is believed
                fed_s = line.to_daemon(result.at_s)
                late = self.unconfirmed.take(result, fed_s)
                if late is not None:
                    self._settled(*late, now_s)
                if run is not None:
                    run.take(result, fed_s)
            self.settle(now_s)
        if run is not None and line is not None and self._exits_seen is not None:
            for one in status.exits:
                if one.n > self._exits_seen and future(one.at_s, status) is None:
                    self._take_exit(run, line.to_daemon(one.at_s), now_s)
        self._exits_seen = max((one.n for one in status.exits), default=0)
        self.axis_watch.see(status, now_s)
        self.standing.see(status, now_s)

    def _take_exit(self, run: DrillRun, at_s: float, now_s: float) -> None:
        was_trusted = run.leaving.trusted
        pulse, slot = run.leaving.pulse(at_s)
        if slot is not None:
            self.tell("exit", f"{slot.n} seen leaving", at_s, n=slot.n, id=slot.id, seen=1)
        elif pulse == "double":
            self.tell("log", "two balls left with one push", now_s, pulse=pulse)
            self._one_ball_less(now_s)
        elif was_trusted and not run.leaving.trusted:
            self.tell("log", "the exit sensor pulses with no push: balls no longer count as seen", now_s, pulse=pulse)

    def settle(self, now_s: float) -> None:
        """Count what became of slots, and tell."""
        run = self.run
        if run is None:
            return
        for slot in run.leaving.unseen(now_s):
            self.tell("exit", f"{slot.n} not seen leaving", now_s, n=slot.n, id=slot.id, seen=0)
        for slot in run.set_run.settled():
            self._settled(run, slot, now_s)

    def _settled(self, run: DrillRun, slot: Slot, now_s: float) -> None:
        """Count a settled slot and tell it; a ball that was unknown is told a second time when its end is known."""
        run.count(slot)
        if slot.outcome == "fed":
            self.ball_went(now_s)
        elif slot.outcome == "unknown":
            self.unconfirmed.put(run, slot)
            if self.machine.feeder.kind == "crank-timed":
                self.crank_turns = None
        late_ms = None if slot.fed_s is None else round((slot.fed_s - slot.feed_at_s) * 1000, 1)
        why = f" ({slot.reason})" if slot.reason else ""
        self.tell(
            "ball",
            f"{slot.n} {slot.ball.text} {slot.outcome}{why}",
            now_s,
            n=slot.n,
            id=slot.id,
            ball=slot.ball.ball,
            side=slot.ball.side,
            set=slot.set,
            outcome=slot.outcome,
            reason=slot.reason,
            planned_leaves_s=slot.leaves_s,
            late_ms=late_ms,
            top_rpm=slot.ball.setting.top_rpm,
            bottom_rpm=slot.ball.setting.bottom_rpm,
            tilt_deg=slot.ball.setting.tilt_deg,
            pan_deg=slot.ball.setting.pan_deg,
            roll_deg=slot.ball.setting.roll_deg,
            speed_mps=slot.ball.speed_mps,
            spin_revps=slot.ball.spin_revps,
            side_revps=slot.ball.side_revps,
        )

    def ball_went(self, now_s: float) -> None:
        """Count what one ball takes: a turn of the crank, a ball of the hopper."""
        if self.crank_turns is not None:
            self.crank_turns += 1
        self._one_ball_less(now_s)

    def _one_ball_less(self, now_s: float) -> None:
        if self.hopper.left is None:
            return
        self.hopper.left = max(self.hopper.left - 1, 0)
        if self.hopper.left <= self.machine.hopper.low_at and not self.hopper.warned:
            self.hopper.warned = True
            self.tell(
                "hopper", f"{self.hopper.left} balls left in the hopper", now_s, "hopper-low", left=self.hopper.left
            )

    # Each tick.

    def advance(self, now_s: float, asleep_s: float = 0.0) -> None:
        """Go on to `now_s`: hazards first, then the state's own progress, then setpoints.

        `asleep_s` is how long the computer has slept in all, which `now_s` doesn't count.
        """
        self.slept_s = self.sleep.gap_s(asleep_s)
        if self.slept_s is not None:
            self.tell("log", f"the computer slept for {self.slept_s:.1f} s", now_s, slept_s=round(self.slept_s, 3))
        standing_by = self.state in ("OFFLINE", "IDLE", "FAULT")
        if standing_by and self.link.driver is not None and self.link.silent_s(now_s) > SILENT_S:
            self.link.lose()
        fault = first_hazard(self, now_s)
        if fault is not None and self.state not in ("QUICKSTOP", "FAULT"):
            self.latch(fault, now_s)
        self.ticked_s = now_s
        if self.run is not None:
            self.run.set_run.give_up_unanswered(now_s)
            self.settle(now_s)
        PROGRESS[self.state](self, now_s)
        self._answer_pending(now_s)
        self.link.tick(now_s)
        self._emit(now_s)

    def _answer_pending(self, now_s: float) -> None:
        if self.pending is not None and now_s > self.pending.until_s:
            verb = self.pending.verb
            self.refuse_pending(
                Refused("driver-refused", f"the driver did not carry out {verb} within {ANSWER_S:g} s", do="status")
            )

    def feed_closed(self, now_s: float) -> str | None:
        """Return why no ball may be fed just now, or None."""
        if self.setup is not None:
            return self.setup.feed_closed(now_s) or self.link.feed_trouble(now_s)
        if self.state != "FEEDING":
            return f"the state is {self.state}"
        return self.link.feed_trouble(now_s)

    def _emit(self, now_s: float) -> None:
        """Send the setpoints up to the lead; a loop that was late makes up what is still worth it."""
        closed = self.feed_closed(now_s)
        if self._feed_open and closed is not None:
            self._crank_cut_short(now_s)
        self._feed_open = closed is None
        line = self.link.line
        if self.link.driver is None or line is None:
            return
        self.next_at_s = max(self.next_at_s, now_s + LEAST_LEAD_S)
        if self._epoch_unsent:
            self._epoch_unsent = False
            self.axes.limiter.restart(now_s, self.next_at_s)
        feeds: tuple[Feed, ...] = ()
        if self.run is not None and self.state == "FEEDING":
            due = self.run.set_run.due(now_s, closed, lambda slot: self.axes.arrives(slot.ball.setting, slot.feed_at_s))
            feeds = tuple(Feed(id=slot.id, at_s=line.to_driver(slot.feed_at_s)) for slot in due)
            self.settle(now_s)
        elif self.setup is not None and closed is None:
            feeds = tuple(Feed(id=one.id, at_s=line.to_driver(one.at_s)) for one in self.setup.feeds(now_s))
        lead_s = LEAD_S if self.setup is None else SETUP_LEAD_S
        while self.next_at_s <= now_s + lead_s:
            at_s, self.next_at_s = self.next_at_s, self.next_at_s + TICK_S
            driver_at_s = line.to_driver(at_s)
            self.link.seq += 1
            setpoint = self.axes.setpoint(
                at_s,
                self.legs.at(at_s),
                self.quick,
                session=self.link.session,
                epoch=self.link.epoch,
                seq=self.link.seq,
                at_s=driver_at_s,
                until_s=driver_at_s + VALID_S,
                feeding=closed is None,
                agitator=closed is None and self.machine.hopper.agitator,
                feeds=feeds,
            )
            self.link.send(setpoint, now_s)

    # What is known.

    def rest(self, now_s: float) -> tuple[bool | None, Known]:
        """Tell whether the wheels stand, and how that is known: by the driver's status; without it by their time."""
        status = self.link.status
        if status is not None and self.link.status_age_s(now_s) <= WATCHDOG_STOP_S:
            return rest_of(status, self.machine)
        if self.state in ("STOPPING", "QUICKSTOP") and now_s - self.since_s > self.machine.spin_down_s + REST_SLACK_S:
            return True, "assumed"
        return None, "unknown"

    @property
    def hopper_empty(self) -> str | None:
        """Return how it is known that the hopper is empty, or None."""
        if self.hopper.left == 0:
            return "the hopper is empty by the count"
        if self.link.status is not None and self.link.status.hopper == "empty":
            return "the hopper is empty, as the driver sees it"
        return None

    @property
    def hopper_low(self) -> bool:
        """Tell whether few balls are left, by the count or by the driver's word."""
        seen_low = self.link.status is not None and self.link.status.hopper in ("low", "empty")
        return seen_low or (self.hopper.left is not None and self.hopper.left <= self.machine.hopper.low_at)

    def count_down(self, leaves_s: float, now_s: float) -> None:
        """Tell the last three seconds before a first ball."""
        left = int(leaves_s - now_s) + 1
        if left <= 3 and left != self.told_seconds and leaves_s > now_s:
            self.told_seconds = left
            self.tell("countdown", f"{left}", now_s, "tick", seconds=left)
