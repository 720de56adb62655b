"""One turn of the engine: the parts, the time, and where events and answers go.

Rule of this file: it holds what every writer needs (tell, answer, follow the table, begin an epoch) and nothing more.
"""

from dataclasses import dataclass

from drillfeed.daemon.engine.driver import OrderKind
from drillfeed.daemon.engine.effects import Effects
from drillfeed.daemon.engine.events import ChangeDropped, Event, HopperLow, QueuedDrillLoaded
from drillfeed.daemon.engine.parts import Parts
from drillfeed.daemon.engine.states import Event as StateEvent
from drillfeed.protocol.errors import Refused
from drillfeed.protocol.lines import Reply, done, refusal


@dataclass(frozen=True)
class Turn:
    """A moment at which parts may change."""

    parts: Parts
    effects: Effects
    now_s: float

    def tell(self, event: Event) -> None:
        """Let watchers and the journal know."""
        self.effects.events.append(event)

    def answer(self, token: int, reply: Reply) -> None:
        """Answer a command."""
        self.effects.replies.append((token, reply))

    def answer_pending(self, text: str) -> None:
        """Answer the command that waits for the driver, if one does."""
        command = self.parts.pending.take()
        if command is not None:
            self.answer(command.token, done(command.verb, text))

    def refuse_pending(self, refused: Refused) -> None:
        """Refuse the command that waits for the driver, if one does."""
        command = self.parts.pending.take()
        if command is not None:
            self.answer(command.token, refusal(command.verb, refused))

    def follow(self, event: StateEvent, reason: str | None = None) -> None:
        """Follow the state table; an event without an effect in this state changes nothing."""
        parts = self.parts
        changed = parts.mode.follow(event, self.now_s, reason)
        if changed is None:
            return
        if changed.state != "RESTING":
            parts.practice.rest_until(None)
        self.tell(changed)
        if changed.state in ("STOPPING", "QUICKSTOP"):
            self._drop_waiting()

    def _drop_waiting(self) -> None:
        """The run has ended: what waited for it is dropped, or loaded if it was a drill of its own."""
        practice = self.parts.practice
        queued, waiting = practice.queued, practice.waiting
        practice.drop_waiting()
        if queued is not None:
            self.tell(QueuedDrillLoaded(self.now_s, "load", False, queued.plan.drill.name))
        elif waiting is not None:
            self.tell(ChangeDropped(self.now_s, False, waiting.verb))

    def begin_epoch(self, order: OrderKind | None) -> None:
        """Begin a new epoch: the driver drops what it holds, and the first setpoint goes on from what is in force."""
        self.parts.link.new_epoch(order, self.now_s)
        self.parts.motion.begin_epoch(self.now_s)

    def ball_went(self) -> None:
        """Count what one push takes: a turn of the crank, a ball of the hopper."""
        self._told_if_low(self.parts.feeder.ball_went())

    def one_ball_less(self) -> None:
        """Count a ball out of the hopper."""
        self._told_if_low(self.parts.feeder.one_less())

    def _told_if_low(self, runs_low: bool) -> None:
        left = self.parts.feeder.balls_left
        if runs_low and left is not None:
            self.tell(HopperLow(self.now_s, left))
