"""The mode of the engine: its state, since when and why, the fault that is latched, and the count of stops."""

from drillfeed.daemon.engine.events import StateChanged
from drillfeed.daemon.engine.fault import Fault
from drillfeed.daemon.engine.states import ENDS_ARMED, Event, after
from drillfeed.protocol.status import State
from drillfeed.protocol.texts.catalogue import text


class Mode:
    """Owns the state and follows the state table, which alone says what may come next."""

    def __init__(self, now_s: float, cautions_accepted: bool) -> None:
        self.state: State = "OFFLINE"
        self.since_s = now_s
        self.reason: str | None = text("link.none")
        self.fault: Fault | None = None
        self.stop_count = 0
        self.ends_armed = False
        self.cautions_accepted = cautions_accepted

    def follow(self, event: Event, now_s: float, reason: str | None) -> StateChanged | None:
        """Go where the table leads from here; None if the event has no effect in the present state."""
        state = after(self.state, event)
        if state is None:
            return None
        before, self.state, self.reason = self.state, state, reason
        if state != before:
            self.since_s = now_s
        self.ends_armed = state == "STOPPING" and event == ENDS_ARMED
        return StateChanged(now_s, state, before, event, reason)

    def latch(self, fault: Fault) -> bool:
        """Keep the first cause; return whether this was the first."""
        if self.fault is not None:
            return False
        self.fault = fault
        return True

    def count_stop(self) -> None:
        """Count a stop or a fault: a start that quotes an older count is refused."""
        self.stop_count += 1

    def clear(self) -> None:
        """Forget the fault."""
        self.fault = None

    def accept_cautions(self) -> None:
        """Remember that the cautions of this machine were acknowledged."""
        self.cautions_accepted = True
