"""A hand on a key in set-up: when the hand counts as present, and which lines keep its motion going.

Rule of this file: no I/O and no clock. A token goes out only on fresh evidence of the hand. An earlier hand is not
remembered: after silence, a stall or a lost key the hold ends by itself, 300 ms after the last token.
"""

from dataclasses import dataclass
from typing import Protocol

from drillfeed.clients.pedal.foot import Edge
from drillfeed.protocol.commands import Command, line_of
from drillfeed.protocol.lines import Reply

TOKEN_S = 0.080
"""The least time between two tokens. Set-up needs a token every 100 ms and holds for 300 ms."""
MAX_REPEAT_S = 0.120
"""A key that comes again within this time is held down: keyboards repeat some 10 to 30 times a second."""
LET_GO_S = 0.200
"""After this long without evidence, the hand was off the key, and what follows is a new hold."""
MAX_HOLD_S = 20.0
"""A hold ends after this long, because an object may be lying on the key. House rule, no source."""


@dataclass(frozen=True)
class Motion:
    """What can be held: the axes that take the figures of the command line, in order, and whether a ball is fed."""

    axes: tuple[str, ...]
    ball: bool = False
    example: str = ""


MOTIONS: dict[str, Motion] = {
    "top": Motion(("top",), example="top 400"),
    "bottom": Motion(("bottom",), example="bottom 400"),
    "wheels": Motion(("top", "bottom"), example="wheels 400 400"),
    "tilt": Motion(("tilt",), example="tilt 12"),
    "ball": Motion(("top", "bottom"), ball=True, example="ball 400 400"),
}


class Hand(Protocol):
    """Something that shows whether a hand is on it."""

    def there(self, now_s: float) -> bool:
        """Tell whether there is evidence that was not reported before."""

    def forget(self) -> None:
        """Discard all earlier evidence: the client itself stood still, so the evidence may be old."""


class KeyRepeats:
    """A key of a terminal. A terminal reports no release, so only repeats are evidence, and each counts once.

    A press by itself moves nothing; the hold begins with the first repeat, 0.2 to 0.7 s after the press.
    """

    def __init__(self) -> None:
        self._last_s = float("-inf")
        self._fresh = False

    def key(self, now_s: float) -> None:
        """Take one reading of the terminal; it counts once, however often the key is in it."""
        self._fresh = now_s - self._last_s <= MAX_REPEAT_S
        self._last_s = now_s

    def there(self, now_s: float) -> bool:
        """Tell whether a repeat has come; each repeat is reported once."""
        fresh, self._fresh = self._fresh, False
        return fresh and now_s - self._last_s <= MAX_REPEAT_S

    def forget(self) -> None:
        """Start over: the next key counts as a press."""
        self._last_s, self._fresh = float("-inf"), False


class Contact:
    """A contact that reports both its edges. If it was found closed, it holds nothing until it has been open."""

    def __init__(self) -> None:
        self._down = False

    def edge(self, edge: Edge) -> None:
        """Take an edge; every edge but a press ends the hold."""
        self._down = edge.kind == "down"

    def there(self, now_s: float) -> bool:
        """Tell whether the contact is closed."""
        return self._down

    def forget(self) -> None:
        """Count the contact as open until it is closed again."""
        self._down = False


class Jogger:
    """The lines of one motion while a hand is on the key."""

    def __init__(self, motion: Motion, figures: tuple[float, ...]) -> None:
        targets = zip(motion.axes, figures, strict=True)
        self._jogs = [line_of(Command("jog", {"axis": axis, "to": to})) for axis, to in targets]
        self._ball = motion.ball
        self._seen_s = self._token_s = self._began_s = float("-inf")
        self._token = -1
        self._spent = self._ball_open = False
        self.message = ""

    def lines(self, there: bool, now_s: float) -> list[str]:
        """Return the lines to send now; `there` is fresh evidence of the hand."""
        if not there:
            return []
        anew = now_s - self._seen_s > LET_GO_S
        self._seen_s = now_s
        if anew:
            self._began_s, self._spent, self._ball_open = now_s, False, self._ball
        if not self._spent and now_s - self._began_s > MAX_HOLD_S:
            self._end(f"held for {MAX_HOLD_S:g} s: let go, then hold again")
        if self._spent or now_s - self._token_s < TOKEN_S:
            return []
        self._token_s, self._token = now_s, max(self._token + 1, int(now_s * 1000))
        held = line_of(Command("hold", {"token": self._token}))
        feed = [line_of(Command("feed", {"count": "one"}))] if self._ball_open and not anew else []
        return [held, *(self._jogs if anew else feed)]

    def answered(self, line: str, reply: Reply) -> None:
        """Take the daemon's answer to one of these lines."""
        verb = line.split()[0]
        if verb == "feed":
            waits = not reply.ok and reply.code is not None and reply.code.name == "beyond-setup"
            self._ball_open = waits
            self.message = f"the ball waits: {reply.text}" if waits else reply.text
        elif not reply.ok:
            self._end(reply.text)
        elif verb == "jog":
            self.message = reply.text

    def _end(self, why: str) -> None:
        self._spent, self.message = True, why
