"""What was seen of a driver: statuses with their time of arrival, and what they say of the balls that were asked for.

Rule of this file: a result counts only in the session in which its ball was asked for.
"""

from collections.abc import Sequence
from typing import NamedTuple

from drillfeed.protocol.link import FeedResult, Status


class Seen(NamedTuple):
    """A status and its time of arrival."""

    at_s: float
    status: Status


class BallsAsked:
    """The feed ids of one run, and their results; `loaded` is how many balls are loaded, as a person said."""

    def __init__(self, seen: Sequence[Seen], loaded: int) -> None:
        """Begin with no ball asked for; `seen` grows as statuses come."""
        self._seen, self.loaded = seen, loaded
        self._asked_in: dict[int, str | None] = {}

    def next_id(self, session: str | None) -> int:
        """Return a feed id that was never used before in this run, for a ball of a session."""
        id = len(self._asked_in) + 1
        self._asked_in[id] = session
        return id

    def results(self, id: int) -> list[FeedResult]:
        """Return all final results reported for an id, each once, in the order of reports.

        Results of another session do not count, because ids begin anew with each session.
        """
        found: list[FeedResult] = []
        for _, status in self._seen:
            if status.session is None or status.session != self._asked_in.get(id):
                continue
            final = (feed for feed in status.feeds if feed.id == id and feed.result != "unknown")
            found += [feed for feed in final if feed not in found]
        return found

    def is_unknown(self, id: int) -> bool:
        """Tell whether the newest status says that nobody knows yet what became of an id."""
        mine = self._seen and self._seen[-1].status.session == self._asked_in.get(id)
        return bool(mine) and any(feed.id == id and feed.result == "unknown" for feed in self._seen[-1].status.feeds)

    @property
    def left(self) -> int:
        """Return how many of the loaded balls this run has not pushed yet."""
        pushed = sum(any(feed.result == "done" for feed in self.results(id)) for id in self._asked_in)
        return max(self.loaded - pushed, 0)
