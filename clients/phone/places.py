"""How many pages may be open, and which places are kept for paired pages.

Rule of this file: unpaired pages can't take the places of paired pages, and silent sockets keep nobody out. Among
sockets that have not spoken yet, the newest comes in and the oldest is cut.
"""

from collections import Counter, OrderedDict
from collections.abc import Callable

MAX_PAGES = 48
AN_ADDRESS = 12
MAX_PAIRED = 32
MAX_WAITING = 8  # about to show a code or a key
MAX_DOOR = 32  # about to say stop or pause
MAX_FRESH = 128  # connections whose request was not granted yet


class Newest:
    """A few sockets that are about to speak; the oldest makes room for the next."""

    def __init__(self, max_open: int) -> None:
        self._max_open = max_open
        self._open: OrderedDict[object, Callable[[], None]] = OrderedDict()

    def enter(self, socket: object, cut: Callable[[], None]) -> None:
        """Let a socket in; `cut` closes it if it has to make room."""
        self._open[socket] = cut
        while len(self._open) > self._max_open:
            _, cut_oldest = self._open.popitem(last=False)
            cut_oldest()

    def leave(self, socket: object) -> None:
        """Forget a socket that has spoken or is gone."""
        self._open.pop(socket, None)


class PagePlaces:
    """The places of pages, and the places kept for paired pages."""

    def __init__(self) -> None:
        self._pages: Counter[str] = Counter()
        self._paired = 0

    def has_room(self, address: str) -> bool:
        """Tell whether an unpaired page may open."""
        return self._pages.total() < MAX_PAGES and self._pages[address] < AN_ADDRESS

    def enter(self, address: str) -> None:
        """Count an open page."""
        self._pages[address] += 1

    def leave(self, address: str) -> None:
        """Stop counting a page."""
        self._pages[address] -= 1
        self._pages += Counter()  # drops addresses whose count is 0

    def pair(self) -> bool:
        """Take a place kept for paired pages; tell whether one was free."""
        if self._paired >= MAX_PAIRED:
            return False
        self._paired += 1
        return True

    def unpair(self) -> None:
        """Give a place kept for paired pages back."""
        self._paired -= 1
