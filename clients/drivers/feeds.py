"""The feeds that a driver was asked for: each id acts at most once in a session, and its result is reported.

Rule of this file: an id is spent when it is judged: done, refused, or told to the feeder and not confirmed yet. A
waiting feed can still be refused. Only `unknown` is ever replaced, once, by what the feeder shows.
"""

from dataclasses import dataclass, field

from drillfeed.clients.drivers.board import PushAnswer
from drillfeed.protocol.link import LATE_S, Feed, FeedResult

KEEP_RESULTS = 16
REMEMBERED_IDS = 4096


@dataclass(slots=True)
class FeedLedger:
    """Waiting feeds by id, spent ids, and the newest results."""

    waiting: dict[int, float] = field(default_factory=dict)
    results: tuple[FeedResult, ...] = ()
    _spent: dict[int, float] = field(default_factory=dict)
    _told: dict[int, float] = field(default_factory=dict)
    _floor: int = -1

    def spent(self, id: int) -> bool:
        """Tell whether an id was judged in this session. Of very many ids the lowest are forgotten and stay spent."""
        return id <= self._floor or id in self._spent

    def ask(self, feed: Feed) -> str | None:
        """Let a feed wait for its moment; a repeat moves it. Return why not if its id was used for another moment."""
        if self.spent(feed.id):
            at_s = self._spent.get(feed.id)
            same = at_s is not None and abs(at_s - feed.at_s) <= LATE_S
            return None if same else "id used"
        self.waiting[feed.id] = feed.at_s
        return None

    def due(self, now: float) -> list[tuple[float, int]]:
        """Return moment and id of the feeds whose moment has come, earliest first."""
        return sorted((at_s, id) for id, at_s in self.waiting.items() if at_s <= now)

    def done(self, id: int, at_s: float, now: float) -> None:
        """Spend an id: its ball was pushed at `now`."""
        self._spend(id, at_s, FeedResult(id=id, result="done", at_s=max(now, 0.0)))

    def told(self, id: int, at_s: float, now: float) -> None:
        """Spend an id: the feeder was told at `now` to push its ball, and has not confirmed it yet."""
        self._told[id] = now
        if len(self._told) > KEEP_RESULTS:
            del self._told[min(self._told, key=lambda id: self._told[id])]
        self._spend(id, at_s, FeedResult(id=id, result="unknown", at_s=max(now, 0.0)))

    def answer(self, answer: PushAnswer) -> None:
        """Replace the `unknown` of a push with its result; ignore a push of an earlier session."""
        if self._told.get(answer.id) != answer.asked_s:
            return
        del self._told[answer.id]
        reason = None if answer.reason is None else answer.reason[:200]
        at_s, verdict = max(answer.at_s, 0.0), "done" if reason is None else "refused"
        result = FeedResult.model_validate({"id": answer.id, "result": verdict, "at_s": at_s, "reason": reason})
        place = next((k for k, earlier in enumerate(self.results) if earlier.id == answer.id), None)
        if place is None:
            self.results = (*self.results, result)[-KEEP_RESULTS:]
        else:
            self.results = (*self.results[:place], result, *self.results[place + 1 :])

    def refuse(self, id: int, at_s: float, now: float, reason: str) -> None:
        """Spend an id: its ball will not be pushed, for `reason`."""
        self._spend(id, at_s, FeedResult(id=id, result="refused", at_s=max(now, 0.0), reason=reason[:200]))

    def again(self, id: int, now: float) -> None:
        """Report that a spent id was asked for again; its first result still counts."""
        told = any(result.id == id and result.reason == "id used" for result in self.results)
        if not told:
            result = FeedResult(id=id, result="refused", at_s=max(now, 0.0), reason="id used")
            self.results = (*self.results, result)[-KEEP_RESULTS:]

    def _spend(self, id: int, at_s: float, result: FeedResult) -> None:
        self.waiting.pop(id, None)
        self._spent[id] = at_s
        self.results = (*self.results, result)[-KEEP_RESULTS:]
        if len(self._spent) > REMEMBERED_IDS:
            lowest = sorted(self._spent)[: REMEMBERED_IDS // 2]
            self._floor = max(self._floor, lowest[-1])
            for id in lowest:
                del self._spent[id]
