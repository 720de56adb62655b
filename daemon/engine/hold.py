"""The hand in set-up: the newest token, until when it counts, and what was asked for since the hand came down."""

from collections.abc import Mapping
from dataclasses import dataclass, replace

from drillfeed.protocol.link import MIN_LEAD_S, TICK_S, Axis, Feed
from drillfeed.protocol.texts.catalogue import text

SETUP_RIM_MPS = 1.5
"""No rim runs faster in set-up: a ball rolls out and falls. House value, no source."""
HELD_S = 0.300
SETUP_LEAD_S = MIN_LEAD_S + TICK_S
FEED_AHEAD_S = MIN_LEAD_S + 3 * TICK_S


@dataclass(frozen=True)
class Push:
    """The one ball of a hold: its feed at `at_s`, how long the feed stays open for it, and whether its end is told."""

    id: int
    at_s: float
    open_until_s: float
    told: bool = False


class Hold:
    """Owns what a hand holds. `token` is the newest one taken, -1 before the first."""

    def __init__(self) -> None:
        self.token = -1
        self.until_s = float("-inf")
        self.targets: Mapping[Axis, float] = {}
        self.push: Push | None = None
        self.holding = False

    def held(self, now_s: float) -> bool:
        """Tell whether a hand is on it."""
        return self.holding and now_s <= self.until_s

    def lapsed(self, now_s: float) -> bool:
        """Tell whether the hand went off since it was last looked at."""
        return self.holding and not self.held(now_s)

    def feed_closed(self, now_s: float) -> str | None:
        """Return why no ball may be fed just now, or None."""
        if not self.held(now_s):
            return text("setup.nobody-holds")
        if self.push is None or now_s > self.push.open_until_s:
            return text("setup.no-ball-asked")
        return None

    def feeds(self, now_s: float) -> tuple[Feed, ...]:
        """Return the ball that belongs into a setpoint sent now, its moment on the daemon's clock."""
        push = self.push
        return () if push is None or now_s > push.at_s else (Feed(id=push.id, at_s=push.at_s),)

    def reset(self) -> None:
        """Begin set-up: no token was taken and nothing was asked for."""
        self.token, self.until_s, self.holding = -1, float("-inf"), False
        self.targets, self.push = {}, None

    def take(self, token: int, now_s: float) -> None:
        """Take a fresh token: what was asked for goes on for another 300 ms."""
        self.token, self.holding, self.until_s = token, True, now_s + HELD_S

    def ask(self, axis: Axis, target: float) -> None:
        """Ask an axis for a target, for as long as the hand holds."""
        self.targets = {**self.targets, axis: target}

    def ask_ball(self, push: Push) -> None:
        """Ask for the one ball of this hold."""
        self.push = push

    def end_at(self, until_s: float) -> None:
        """Let the newest token count until then and no longer."""
        self.until_s = until_s

    def release(self) -> None:
        """The hand is off: forget what was asked for, but a ball whose end is not told yet."""
        self.holding, self.targets = False, {}
        if self.push is not None and self.push.told:
            self.push = None

    def ball_told(self) -> None:
        """What became of the ball was told; without a hand it is forgotten."""
        if self.push is not None:
            self.push = replace(self.push, told=True) if self.holding else None
