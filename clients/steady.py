"""A client for a program that keeps running: the last state and its age, the last message, and reconnection.

Rule of this file: one connection asks for the state and receives notices; the other carries commands whose reply may
take long. So nothing waits for the reply to something else, least of all a stop or a pause. When a connection is lost,
the old state is dropped.
"""

from collections import deque
from collections.abc import Callable

from drillfeed.clients.find import NoDaemon
from drillfeed.clients.lines import Client
from drillfeed.protocol.commands import Command, line_of
from drillfeed.protocol.errors import Refused
from drillfeed.protocol.lines import BrokenReply
from drillfeed.protocol.status import Snapshot
from drillfeed.protocol.texts.catalogue import text

AGAIN_S = 1.0
ANSWER_S = 1.0
CUES_KEPT = 16
NOT_SENT = "client.not-sent"
"""Id of what is told if a line can't be sent."""


class SteadyClient:
    """Two connections, the last snapshot and when it was seen, the last message, and the cues not yet given.

    Times are the caller's `now_s`, in monotonic seconds. `connect` raises NoDaemon or ValueError; no other method
    raises, and errors are told in `message`.
    """

    def __init__(self, to: str | None) -> None:
        self.to = to
        self.snapshot: Snapshot | None = None
        self.seen_at_s = 0.0
        self.message = ""
        self.cues: deque[tuple[str, str]] = deque(maxlen=CUES_KEPT)
        self._asking: Client | None = None
        self._acting: Client | None = None
        self._tried_at_s = -AGAIN_S

    def connect(self) -> None:
        """Open both connections; raises NoDaemon or ValueError."""
        self._asking = Client.find(self.to, answer_s=ANSWER_S)
        self._asking.watch("json")
        self._acting = Client.find(self.to, answer_s=ANSWER_S)

    def close(self) -> None:
        """Close both connections."""
        for client in (self._asking, self._acting):
            if client is not None:
                client.close()
        self._asking = self._acting = None

    def filenos(self) -> list[int]:
        """Return the numbers of the sockets that become readable when there is news."""
        return [client.fileno() for client in (self._asking, self._acting) if client is not None]

    def look(self, now_s: float) -> None:
        """Ask for the state and take the news; connect again if the connection was lost."""
        try:
            if self._asking is None or self._acting is None:
                if now_s - self._tried_at_s < AGAIN_S:
                    return
                self._tried_at_s = now_s
                self.connect()
                self.message = "connected again"
            assert self._asking is not None
            self.snapshot, self.seen_at_s = self._asking.snapshot(), now_s
            self.take_news()
        except (NoDaemon, BrokenReply, TimeoutError) as error:
            self._lose(str(error))
        except Refused as refused:
            self.message = refused.text

    def take_news(self) -> bool:
        """Take notices and replies that have come; return whether there were notices."""
        if self._asking is None or self._acting is None:
            return False
        told = False
        for notice in (*self._asking.notices(0.0), *self._acting.notices(0.0)):
            told = True
            self.message = notice.text
            if notice.cue is not None:
                self.cues.append((notice.cue, notice.text))
        for reply in self._acting.take_replies():
            self.message = reply.text or f"{reply.verb}: done"
        return told

    def stop(self) -> None:
        """Send the stop byte, ahead of whatever is under way."""

        def send(asking: Client, acting: Client) -> str:
            acting.stop_now()
            return "stop sent"

        self._act(send)

    def give(self, command: Command) -> None:
        """Send a command; its reply becomes the message, for a pause at once, otherwise when it comes."""

        def send(asking: Client, acting: Client) -> str:
            if command.verb == "pause":
                return asking.pause().text
            acting.send_line(line_of(command))
            return f"{command.verb} sent"

        self._act(send)

    def _act(self, act: Callable[[Client, Client], str]) -> None:
        if self._asking is None or self._acting is None:
            self.message = text(NOT_SENT)
            return
        try:
            self.message = act(self._asking, self._acting)
        except (NoDaemon, BrokenReply, TimeoutError) as error:
            self._lose(str(error))

    def _lose(self, why: str) -> None:
        self.close()
        self.snapshot, self.message = None, why
