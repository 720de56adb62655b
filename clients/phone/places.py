"""How many pages may be open, and for whom places are kept.

Rule of this file: pages that are not paired can't take the places of those that are, and sockets that say nothing keep
nobody out: where only what is about to be said counts, the newest comes in and the oldest silent one goes.
"""

from collections import Counter, OrderedDict
from collections.abc import Callable

PAGES_MOST = 48
AN_ADDRESS = 12
PAIRED_MOST = 32
WAITING_MOST = 8  # about to show a code or a key
DOOR_MOST = 32  # about to say stop or pause
FRESH_MOST = 128  # connections in whose request nothing was granted yet


class Newest:
    """A few sockets that are about to say something; the oldest makes room for the next."""

    def __init__(self, most: int) -> None:
        self._most = most
        self._open: OrderedDict[object, Callable[[], None]] = OrderedDict()

    def enter(self, one: object, cut: Callable[[], None]) -> None:
        """Let a socket in; `cut` closes it if it has to make room."""
        self._open[one] = cut
        while len(self._open) > self._most:
            _, cut_oldest = self._open.popitem(last=False)
            cut_oldest()

    def leave(self, one: object) -> None:
        """Forget a socket: it has spoken, or is gone."""
        self._open.pop(one, None)


class PagePlaces:
    """The places of pages, and of those that have shown a key."""

    def __init__(self) -> None:
        self._pages: Counter[str] = Counter()
        self._paired = 0

    def has_room(self, address: str) -> bool:
        """Tell whether a page that is not paired may open."""
        return self._pages.total() < PAGES_MOST and self._pages[address] < AN_ADDRESS

    def enter(self, address: str) -> None:
        """Count an open page."""
        self._pages[address] += 1

    def leave(self, address: str) -> None:
        """Count it no more."""
        self._pages[address] -= 1
        self._pages += Counter()  # drops those that are at 0

    def pair(self) -> bool:
        """Take a place of those that are paired; tell whether there was one."""
        if self._paired >= PAIRED_MOST:
            return False
        self._paired += 1
        return True

    def unpair(self) -> None:
        """Give it back."""
        self._paired -= 1
