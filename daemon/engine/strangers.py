"""Frames of peers that are not the present driver: kept until there is time for a few of them.

Rule of this file: whatever strangers send, a tick reads `HEARD_A_TICK` of their frames and keeps `PEERS_MAX` of each
kind. Of each peer the newest is kept, and what may be a hello comes first, so that a driver among any number of
talkers gets its turn.
"""

HEARD_A_TICK = 4
PEERS_MAX = 64
HELLO = b'"hello"'


class Strangers:
    """What strangers said and nobody has looked at yet."""

    def __init__(self) -> None:
        """Begin with nothing kept."""
        self._hellos: dict[bytes, bytes] = {}
        self._others: dict[bytes, bytes] = {}

    def keep(self, peer: bytes, frame: bytes) -> None:
        """Keep a frame until its turn; where too many peers wait already, drop it."""
        waiting = self._hellos if HELLO in frame else self._others
        if peer in waiting or len(waiting) < PEERS_MAX:
            waiting[peer] = frame

    def some(self) -> list[tuple[bytes, bytes]]:
        """Take out as (peer, frame) what a tick has time for: hellos first, those that wait longest before the rest."""
        heard: list[tuple[bytes, bytes]] = []
        for waiting in (self._hellos, self._others):
            for peer in list(waiting)[: HEARD_A_TICK - len(heard)]:
                heard.append((peer, waiting.pop(peer)))
        return heard
