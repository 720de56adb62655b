"""The engine: one thrower, one driver, one practice, on a clock that is an argument.

Rule of this file: the order of one `advance` never changes: hazards first, then the state's own progress, then
setpoints; the ramp limiter is the last thing before the wire. Whatever is decided goes through `apply.carry_out`.
"""

from drillfeed.daemon.engine import decision as do
from drillfeed.daemon.engine.apply import carry_out
from drillfeed.daemon.engine.commands import decided
from drillfeed.daemon.engine.contradictions import Doubts
from drillfeed.daemon.engine.decision import decide
from drillfeed.daemon.engine.driver import DriverLink, Frame
from drillfeed.daemon.engine.effects import Effects
from drillfeed.daemon.engine.events import ComputerSlept
from drillfeed.daemon.engine.fault import Fault
from drillfeed.daemon.engine.feeder import Feeder
from drillfeed.daemon.engine.hazards import Tick, first_hazard
from drillfeed.daemon.engine.hold import Hold
from drillfeed.daemon.engine.intake import Intake
from drillfeed.daemon.engine.mode import Mode
from drillfeed.daemon.engine.motion import Motion
from drillfeed.daemon.engine.outgoing import send_setpoints
from drillfeed.daemon.engine.parts import Parts
from drillfeed.daemon.engine.pending import ANSWER_S, Pending
from drillfeed.daemon.engine.practice import Practice
from drillfeed.daemon.engine.progress import PROGRESS
from drillfeed.daemon.engine.request import Request
from drillfeed.daemon.engine.settling import settle_unanswered
from drillfeed.daemon.engine.turn import Turn
from drillfeed.daemon.machine import Machine
from drillfeed.protocol.errors import Refused, refuse
from drillfeed.protocol.lines import done, refusal
from drillfeed.protocol.sleep import SleepWatch
from drillfeed.protocol.spec import Caller
from drillfeed.protocol.status import State
from drillfeed.protocol.texts.catalogue import text

SILENT_S = 6.0
STANDING_BY: frozenset[State] = frozenset({"OFFLINE", "IDLE", "FAULT"})


class Engine:
    """Joins the parts. The shell calls `receive`, `command`, `stop`, and `advance` each tick."""

    def __init__(self, machine: Machine, session: str, now_s: float, cautions_accepted: bool = False) -> None:
        link = DriverLink(machine, session)
        self.parts = Parts(
            machine=machine,
            mode=Mode(now_s, cautions_accepted),
            practice=Practice(machine.sensors.exit_sensor),
            motion=Motion(machine, link.limits, now_s),
            feeder=Feeder(machine),
            hold=Hold(),
            pending=Pending(),
            doubts=Doubts(),
            link=link,
        )
        self.ticked_s = now_s
        self._intake = Intake()
        self._sleep = SleepWatch()
        self._effects = Effects()

    @property
    def state(self) -> State:
        """Return the state."""
        return self.parts.mode.state

    def _turn(self, now_s: float) -> Turn:
        return Turn(self.parts, self._effects, now_s)

    def take_effects(self) -> Effects:
        """Hand over the answers and events that have collected."""
        effects, self._effects = self._effects, Effects()
        return effects

    def take_frames(self) -> list[Frame]:
        """Hand over the frames that are to be sent."""
        return self.parts.link.take_frames()

    def receive(self, peer: bytes, frame: bytes, now_s: float) -> None:
        """Take one frame from the link."""
        self._intake.take(self._turn(now_s), peer, frame)

    def command(self, request: Request, now_s: float) -> None:
        """Carry out a command, or refuse it with nothing changed; the answer goes to the request's token."""
        verb, turn = request.command.verb, self._turn(now_s)
        self.parts.link.note(
            now_s, "command", text("note.command", verb=verb, by=f"{request.caller.name} ({request.caller.where})")
        )
        try:
            decision = decided(self.parts, request, now_s)
        except Refused as refused:
            turn.answer(request.token, refusal(verb, refused))
            return
        said = carry_out(turn, decision)
        if decision.answer is not None:
            turn.answer(request.token, done(verb, said))

    def stop(self, caller: Caller, token: int | None, now_s: float) -> None:
        """Stop, from anyone, in any state: feeder and agitator off at once, wheels down at once."""
        turn, by = self._turn(now_s), f"{caller.name} ({caller.where})"
        self.parts.link.note(now_s, "command", text("note.command", verb="stop", by=by))
        said = carry_out(turn, decide(do.Stop(by)))
        if token is not None:
            turn.answer(token, done("stop", said))

    def latch(self, fault: Fault, now_s: float) -> None:
        """Latch a fault found outside the engine, unless one is latched already."""
        if self.state not in ("QUICKSTOP", "FAULT"):
            carry_out(self._turn(now_s), decide(do.Latch(fault)))

    def skip_to(self, now_s: float) -> None:
        """Count time from here: the loop begins only now."""
        self.ticked_s = now_s

    def advance(self, now_s: float, asleep_s: float = 0.0) -> None:
        """Go on to `now_s`: hazards first, then the state's own progress, then setpoints.

        `asleep_s` is how long the computer has slept in all, which `now_s` doesn't count.
        """
        turn, link = self._turn(now_s), self.parts.link
        slept_s = self._sleep.gap_s(asleep_s)
        if slept_s is not None:
            turn.tell(ComputerSlept(now_s, round(slept_s, 3)))
        if self.state in STANDING_BY and link.driver is not None and link.silent_s(now_s) > SILENT_S:
            link.lose()
        fault = first_hazard(self.parts, Tick(now_s, self.ticked_s, slept_s))
        if fault is not None:
            self.latch(fault, now_s)
        self.ticked_s = now_s
        settle_unanswered(turn)
        self._progress(turn)
        self._give_up_waiting(turn)
        link.tick(now_s)
        send_setpoints(turn)

    def _progress(self, turn: Turn) -> None:
        for rule in PROGRESS[self.state]:
            decision = rule.look(self.parts, turn.now_s)
            if decision is not None:
                carry_out(turn, decision)
                if rule.ends:
                    return

    def _give_up_waiting(self, turn: Turn) -> None:
        command = self.parts.pending.command
        if command is not None and turn.now_s > command.until_s:
            turn.refuse_pending(refuse("driver.too-slow", verb=command.verb, within_s=ANSWER_S))
