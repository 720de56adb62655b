"""Foot switches at work: read the contacts, send the actions, show what happens and ring the bell.

Rule of this file: contacts are read before news, so that a slow daemon delays no foot. A stop is sent before anything
else.
"""

import select
import time
from collections.abc import Callable

from drillfeed.clients.cues import Bells, shown
from drillfeed.clients.pedal.foot import Edge, Foot, FootAction
from drillfeed.clients.pedal.sources import POLL_S, Source
from drillfeed.clients.steady import SteadyClient
from drillfeed.protocol.status_text import next_step, state_line

LOOK_S = 0.2
TICK_S = 0.02


class PedalSession:
    """Foot switches, the client that sends their actions, and the output for the person beside them."""

    def __init__(self, client: SteadyClient, pedals: list[tuple[Source, Foot]], tell: Callable[[str], None]) -> None:
        self.client, self.pedals, self.bells = client, pedals, Bells()
        self._tell = tell
        self._looked_at_s = float("-inf")
        self._told_state: tuple[object, ...] = ()
        self._told_message = ""

    def turn(self, now_s: float) -> None:
        """Read every contact, send the actions, then take news."""
        for source, foot in self.pedals:
            foot.see(self.client.snapshot, self.client.seen_at_s)
            for edge in source.read(now_s):
                self._act(foot.edge(edge))
            self._act(foot.tick(now_s))
        news = self.client.take_news()
        if news or now_s - self._looked_at_s >= LOOK_S:
            self.client.look(now_s)
            self._looked_at_s = now_s
        self._show(now_s)

    def wait(self) -> None:
        """Wait for news from a contact or the daemon, or until it is time to look again."""
        numbers = [number for source, _ in self.pedals for number in source.filenos()]
        asked_often = any(not source.filenos() for source, _ in self.pedals)
        select.select([*numbers, *self.client.filenos()], [], [], POLL_S if asked_often else TICK_S)

    def leave(self, now_s: float) -> None:
        """End as if every foot switch were unplugged."""
        for source, foot in self.pedals:
            foot.see(self.client.snapshot, self.client.seen_at_s)
            self._act(foot.edge(Edge(now_s, "unplugged")))
            source.close()
        self._show(now_s)
        self.client.close()

    def _act(self, actions: list[FootAction]) -> None:
        for action in sorted(actions, key=lambda action: not action.stop):
            if action.stop:
                self.client.stop()
            elif action.command is not None:
                self.client.give(action.command)
            if action.told:
                self._tell(action.told)

    def _show(self, now_s: float) -> None:
        while self.client.cues:
            cue, text = self.client.cues.popleft()
            self.bells.ring(cue, now_s)
            self._tell(shown(cue, text))
            self._told_message = text
        snapshot = self.client.snapshot
        state = (snapshot.state, snapshot.reason) if snapshot else ("NOT CONNECTED",)
        if state != self._told_state:
            self._told_state = state
            self._tell(f"{state_line(snapshot)}; next: {next_step(snapshot)}" if snapshot else "NOT CONNECTED")
        if self.client.message != self._told_message:
            self._told_message = self.client.message
            self._tell(self.client.message)


def work(session: PedalSession, ring: Callable[[], None]) -> None:
    """Run turns until interrupted, then leave in an orderly way."""
    try:
        while True:
            now_s = time.monotonic()
            session.turn(now_s)
            if session.bells.due(now_s):
                ring()
            session.wait()
    except KeyboardInterrupt:
        pass
    finally:
        session.leave(time.monotonic())
