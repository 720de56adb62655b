"""The feed of one driver: whether it is open, which balls wait, and whether a ball that is due may go.

Rule of this file: closing acts at once and refuses what waits; only a setpoint read later opens the feed again. A
push that has begun finishes by itself. Only a stop breaks it off (`cut`), and that is not decided here.
"""

from drillfeed.clients.drivers.board import Agitated, Board, Confirming, DriverTraits, Note
from drillfeed.clients.drivers.feeds import FeedLedger
from drillfeed.clients.drivers.outputs import Outputs
from drillfeed.clients.drivers.report import Mode
from drillfeed.clients.drivers.rules import out_of_band, out_of_place
from drillfeed.protocol.link import ANGLES, LATE_S, Setpoint


class FeedGate:
    """Feeder and agitator of one board, and the ledger of balls."""

    def __init__(self, traits: DriverTraits, board: Board, outputs: Outputs, note: Note) -> None:
        """Begin closed."""
        self.ledger = FeedLedger()
        self.open = False
        self.agitating = False
        self._traits, self._board, self._outputs, self._note = traits, board, outputs, note
        self._opens_after_seq = -1
        self._confirming = board if isinstance(board, Confirming) else None

    def new_session(self, now: float) -> None:
        """Close, and forget all ids, because a new session counts them from the start."""
        self.close("another session", None, now)
        self.ledger = FeedLedger()

    def new_epoch(self, ended: int, now: float) -> None:
        """Close, and let setpoints of the new epoch open the feed from their first seq on (L11)."""
        self.close(f"epoch {ended} ended", None, now)

    def close(self, reason: str, seq: int | None, now: float) -> None:
        """Close at once; setpoints up to `seq`, the newest one read, do not open the feed again (L14, L16)."""
        self._opens_after_seq = -1 if seq is None else seq
        for id, at_s in tuple(self.ledger.waiting.items()):
            self.refuse(id, at_s, reason, now)
        if self.open or self.agitating:
            self.open = False
            self._note("feed_closed", now, reason=reason)
            self._agitate(False, now)

    def follow(self, target: Setpoint, epoch: int, now: float) -> None:
        """Open the feed and run the agitator as the target in force says (L14, L15)."""
        if target.feeding and target.seq > self._opens_after_seq and target.epoch == epoch and not self.open:
            self.open = True
            self._note("feed_opened", now, seq=target.seq)
        self._agitate(self.open and target.agitator, now)

    def ask(self, message: Setpoint, mode: Mode, now: float) -> None:
        """Take the feeds of an accepted setpoint: each waits or is refused (L14, L30)."""
        for feed in message.feeds:
            if self.ledger.spent(feed.id):
                if self.ledger.ask(feed) is not None:
                    self.ledger.again(feed.id, now)
            elif mode != "armed":
                self.refuse(feed.id, feed.at_s, f"mode is {mode}", now)
            elif not message.feeding:
                self.refuse(feed.id, feed.at_s, "feeding is false", now)
            else:
                self.ledger.ask(feed)

    def push_due(self, target: Setpoint | None, epoch: int, now: float) -> None:
        """Push the balls whose moment has come, or refuse them (L17)."""
        if not self.ledger.waiting:
            return
        for at_s, id in self.ledger.due(now):
            reason = self._obstacle(target, at_s, now)
            if reason is not None:
                self.refuse(id, at_s, reason, now)
                continue
            (self.ledger.done if self._confirming is None else self.ledger.told)(id, at_s, now)
            self._board.feed_one(id)
            self._note("feed", now, id=id, planned_s=at_s, epoch=epoch, **self._outputs.speeds(target))

    def hear(self) -> None:
        """Take the results that the board has found out for its pushes."""
        if self._confirming is not None:
            for answer in self._confirming.push_answers():
                self.ledger.answer(answer)

    def _obstacle(self, target: Setpoint | None, at_s: float, now: float) -> str | None:
        if not self.open or target is None:
            return "feed is closed"
        if now - at_s > LATE_S:
            return f"{(now - at_s) * 1000:.0f} ms late"
        return self._wheel_obstacle(target, now) or self._angle_obstacle(target)

    def _wheel_obstacle(self, target: Setpoint, now: float) -> str | None:
        if self._traits.feedback == "none":
            return None
        for wheel, rpm, diameter_m in (
            ("top", target.top.rpm, self._traits.top_diameter_m),
            ("bottom", target.bottom.rpm, self._traits.bottom_diameter_m),
        ):
            reason = out_of_band(wheel, self._outputs.recent_rpm(wheel, now), rpm, diameter_m)
            if reason is not None:
                return reason
        return None

    def _angle_obstacle(self, target: Setpoint) -> str | None:
        for axis in ANGLES:
            turn = getattr(target, axis)
            reason = None if turn is None else out_of_place(axis, self._outputs.measured_deg(axis), turn.deg)
            if reason is not None:
                return reason
        return None

    def refuse(self, id: int, at_s: float, reason: str, now: float) -> None:
        """Use up an id without pushing a ball."""
        self.ledger.refuse(id, at_s, now, reason)
        self._note("feed_refused", now, id=id, planned_s=at_s, reason=reason)

    def _agitate(self, on: bool, now: float) -> None:
        if on == self.agitating or not self._traits.agitator:
            return
        self.agitating = on
        if isinstance(self._board, Agitated):
            self._board.set_agitator(on)
        self._note("agitator", now, on=on)
