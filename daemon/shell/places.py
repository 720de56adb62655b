"""Which connections have a place, which stand at the door, and which are closed when there are too many.

Rule of this file: a connection needs a place only for commands other than `stop`. Until it sends such a command, it
stands at the door, where it can only stop. Every new connection is let in at once. If there are too many, the one that
has stood at the door longest is closed, after what it sent has been read. The number of files that this process may
open bounds all figures.
"""

import resource
from collections import Counter
from dataclasses import dataclass
from itertools import islice
from typing import Generic, Protocol, TypeVar

MAX_PLACES = {"tcp": 256, "unix": 64}
MAX_AT_DOOR = {"tcp": 512, "unix": 16}
FILES_SPARED = 96  # for the links, the journal, and other files that a daemon has open
IDLE_S = 60.0  # the silence after which a connection may lose its place to another
LOOK_AGAIN_S = 0.1
MAX_LOOKED_AT = 32


class Guest(Protocol):
    """What is asked of a connection here."""

    last_heard_s: float
    until_s: float | None

    @property
    def household(self) -> str:
        """Return the key under which limits count the address that it came from; it never changes."""

    @property
    def keeps_place(self) -> bool:
        """Tell whether it keeps its place even in silence."""

    @property
    def awaits_stop(self) -> bool:
        """Tell whether it sent a stop that was carried out and is not answered yet."""

    def look(self) -> None:
        """Read and act on what has arrived."""

    def make_room(self) -> None:
        """Give up the place after a long silence."""

    def abort(self) -> None:
        """Cut the connection."""


G = TypeVar("G", bound=Guest)


@dataclass(frozen=True)
class Room:
    """How many places there are, how many one address may have, and how many connections may stand at the door."""

    places: int
    an_address: int
    at_door: int
    door_s: float = 5.0


def room_for(kind: str, files: int | None = None) -> Room:
    """Divide the files that may be open among the listeners; `files` is by default the limit of this process."""
    soft = resource.getrlimit(resource.RLIMIT_NOFILE)[0] if files is None else files
    if soft == resource.RLIM_INFINITY:
        soft = 1 << 16
    left = max(soft - FILES_SPARED, 32)
    of_unix = (min(MAX_PLACES["unix"], left // 8), min(MAX_AT_DOOR["unix"], left // 16))
    if kind == "unix":
        return Room(of_unix[0], of_unix[0], of_unix[1])
    places = min(MAX_PLACES["tcp"], left // 4)
    return Room(places, places // 2, min(MAX_AT_DOOR["tcp"], left - places - sum(of_unix)))


class Places(Generic[G]):
    """The connections of one kind of listener."""

    def __init__(self, room: Room) -> None:
        self.room = room
        self.placed: dict[G, None] = {}
        self.at_door: dict[G, None] = {}  # in the order they came
        self._households: Counter[str] = Counter()
        self._look_for_idle_s = float("-inf")

    def arrive(self, guest: G, now_s: float) -> None:
        """Let a connection in to the door; if there are too many in all, close the one that stood there longest."""
        if len(self.placed) >= self.room.places:
            guest.until_s = now_s + self.room.door_s
        while len(self.at_door) + len(self.placed) >= self.room.at_door + self.room.places:
            self.turn_one_away()
        self.at_door[guest] = None

    def take(self, guest: G, now_s: float) -> bool:
        """Give a connection at the door a place, if there is one or if another connection was silent for long."""
        if guest not in self.at_door:
            return guest in self.placed
        crowded = self._households[guest.household] >= self.room.an_address
        full = crowded or len(self.placed) >= self.room.places
        if full and not self._free_idle(guest.household if crowded else None, now_s):
            guest.until_s = guest.until_s or now_s + self.room.door_s
            return False
        del self.at_door[guest]
        self.placed[guest] = None
        self._households[guest.household] += 1
        guest.until_s = None
        return True

    def leave(self, guest: G) -> None:
        """Forget a connection."""
        self.at_door.pop(guest, None)
        if guest in self.placed:
            del self.placed[guest]
            self._households[guest.household] -= 1
            if not self._households[guest.household]:
                del self._households[guest.household]

    def turn_one_away(self) -> bool:
        """Cut a connection at the door after reading what it sent; tell whether one stood there."""
        before = len(self.at_door)
        for guest in list(islice(self.at_door, MAX_LOOKED_AT)):
            if guest.awaits_stop:
                continue
            guest.look()
            if len(self.at_door) < before:  # it has left, or it has a place now
                return True
            if not guest.awaits_stop:
                self._cut(guest)
                return True
        if not self.at_door:
            return False
        self._cut(next(iter(self.at_door)))
        return True

    def overdue(self, now_s: float) -> list[G]:
        """List the connections whose time at the door is over; if there are places again, lift their limits instead."""
        full = len(self.placed) >= self.room.places
        late = [guest for guest in self.at_door if guest.until_s is not None and now_s >= guest.until_s]
        if full:
            return late
        for guest in late:
            guest.until_s = None
        return []

    def _cut(self, guest: G) -> None:
        self.leave(guest)
        guest.abort()

    def _free_idle(self, household: str | None, now_s: float) -> bool:
        # A flood asks all the time, so do not look through all places for every stranger.
        if now_s < self._look_for_idle_s:
            return False
        idle = [
            guest
            for guest in self.placed
            if not guest.keeps_place and guest.last_heard_s < now_s - IDLE_S and household in (None, guest.household)
        ]
        if not idle:
            self._look_for_idle_s = now_s + LOOK_AGAIN_S
            return False
        longest = min(idle, key=lambda guest: guest.last_heard_s)
        self.leave(longest)
        longest.make_room()
        return True
