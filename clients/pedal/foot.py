"""What a foot on the switch means: it takes edges of one contact and the machine's state, and returns actions.

Rule of this file: no I/O, no clock. Key-down can only pause or stop. To start something takes the release of a short
press that began and ended in the same, recently seen state. Nothing starts if anything is unclear: the contact was down
at start-up, is held, unplugged or bouncing, or the state is old.
"""

from dataclasses import dataclass
from typing import Literal

from drillfeed.protocol.commands import COMMANDS, Command
from drillfeed.protocol.status import Snapshot

BOUNCE_S = 0.030  # usual contacts are quiet after 5 to 20 ms: common practice, no source
HELD_S = 0.8
DOUBLE_S = 0.5
SAME_WISH_S = 1.0  # a press this soon after a press that paused is part of the same reaction and starts nothing
STUCK_S = 10.0
FRESH_S = 1.0

Kind = Literal["down", "up", "found down", "found up", "unplugged"]
# Only `go` may give commands that lead towards motion, because it checks the state first.
TOWARDS_MOTION = frozenset({"start", "resume", "ready", "confirm", "arm", "clear", "cautions", "throw"})
GO, NOTHING = "go", "nothing"


@dataclass(frozen=True)
class Edge:
    """The contact at one moment; `found` is its position when the switch appears, which no foot has changed."""

    at_s: float
    kind: Kind


@dataclass(frozen=True)
class Meaning:
    """What presses mean: `go`, `nothing`, or a verb of the command table that needs no argument.

    `go` is resume after a pause, ready in a rest, and start if a drill is loaded and the machine is armed.
    """

    press: str = GO
    double: str = NOTHING
    hold: Literal["stop", "pause"] = "stop"
    pauses: bool = True
    unplugged: Literal["pause", "tell"] = "pause"


@dataclass(frozen=True)
class FootAction:
    """A stop, a command, or only a text to show."""

    command: Command | None = None
    stop: bool = False
    told: str = ""


def wrong_with(meaning: Meaning) -> str | None:
    """Return what is wrong with a meaning: a press may not do what it asks for. Return None if all is well."""
    for name in (meaning.press, meaning.double):
        if name in (GO, NOTHING):
            continue
        row = COMMANDS.get(name)
        if row is None:
            return f"there is no command {name}; drillfeed send help lists them"
        if (
            name in TOWARDS_MOTION
            or row.handled_by == "line"
            or any(not argument.optional for argument in row.arguments)
        ):
            return f"{name} cannot be on a foot switch; use {GO}, {NOTHING}, or a command that needs no argument"
    return None


class Foot:
    """One contact. Call `see` with each snapshot, `edge` with each edge, and `tick` at least every 20 ms."""

    def __init__(self, meaning: Meaning = Meaning()) -> None:
        self.meaning = meaning
        self.stage: Literal["away", "waiting", "up", "down"] = "away"
        self._seen: Snapshot | None = None
        self._seen_at_s = 0.0
        self._down_at_s = 0.0
        self._down_in: Snapshot | None = None
        self._lifted_at_s: float | None = None
        self._spent = False
        self._held = False
        self._stuck = False
        self._is_second = False
        self._last_down_s = float("-inf")
        self._paused_at_s = float("-inf")
        self._waiting_press: tuple[float, Snapshot] | None = None

    def see(self, snapshot: Snapshot | None, at_s: float) -> None:
        """Take the machine's state as it was at `at_s`; None if there is no connection."""
        self._seen, self._seen_at_s = snapshot, at_s

    def edge(self, edge: Edge) -> list[FootAction]:
        """Take one edge of the contact; edges come in the order of their times."""
        actions = self.tick(edge.at_s)
        if edge.kind == "down":
            return actions + self._down(edge.at_s)
        if edge.kind == "up":
            if self.stage in ("down", "waiting") and self._lifted_at_s is None:
                self._lifted_at_s = edge.at_s
            return actions
        if edge.kind == "unplugged":
            return actions + self._unplugged(edge.at_s)
        self._waiting_press = self._lifted_at_s = None
        self.stage = "waiting" if edge.kind == "found down" else "up"
        down = "the foot switch is down already: a foot on it, or stuck; it counts from when it is let go"
        return [*actions, FootAction(told=down if self.stage == "waiting" else "the foot switch is there")]

    def tick(self, now_s: float) -> list[FootAction]:
        """Let time pass: accept a release after the bounce, act on a hold, and end the wait for a double press."""
        actions: list[FootAction] = []
        lifted = self._lifted_at_s
        if lifted is not None and now_s - lifted >= BOUNCE_S:
            self._lifted_at_s = None
            if self.stage == "waiting":
                actions.append(FootAction(told="the foot switch was let go; it counts from now on"))
            elif self.stage == "down":
                actions += self._released(lifted)
            self.stage = "up"
        if self.stage == "down" and self._lifted_at_s is None:
            actions += self._being_held(now_s)
        if self._waiting_press is not None and now_s - self._waiting_press[0] > DOUBLE_S:
            (_, began_in), self._waiting_press = self._waiting_press, None
            actions += self._do(self.meaning.press, began_in, now_s)
        return actions

    def _down(self, at_s: float) -> list[FootAction]:
        self._lifted_at_s = None  # if it was set, the lift was a bounce
        if self.stage != "up":
            return []
        self.stage, self._down_at_s, self._down_in = "down", at_s, self._fresh(at_s)
        self._held = self._stuck = False
        self._is_second = self.meaning.double != NOTHING and at_s - self._last_down_s <= DOUBLE_S
        self._last_down_s = at_s
        self._spent = at_s - self._paused_at_s < SAME_WISH_S
        if self.meaning.pauses and (self._down_in is None or _under_way(self._down_in)):
            self._spent, self._paused_at_s = True, at_s
            return [FootAction(Command("pause", {}))]
        return []

    def _being_held(self, now_s: float) -> list[FootAction]:
        if not self._held and now_s - self._down_at_s >= HELD_S:
            self._held = self._spent = True
            self._is_second, self._waiting_press = False, None
            return [FootAction(stop=True) if self.meaning.hold == "stop" else FootAction(Command("pause", {}))]
        if not self._stuck and now_s - self._down_at_s >= STUCK_S:
            self._stuck = True
            return [FootAction(told=f"the foot switch has been down for {STUCK_S:g} s: stuck? it starts nothing")]
        return []

    def _released(self, at_s: float) -> list[FootAction]:
        if at_s - self._down_at_s < BOUNCE_S or self._held:
            return []
        if self._is_second:
            self._waiting_press, self._last_down_s = None, float("-inf")
            return self._do(self.meaning.double, self._down_in, at_s)
        if self._spent:
            return []
        if self.meaning.double != NOTHING and self._down_in is not None:
            self._waiting_press = (self._down_at_s, self._down_in)
            return []
        return self._do(self.meaning.press, self._down_in, at_s)

    def _do(self, name: str, began_in: Snapshot | None, at_s: float) -> list[FootAction]:
        if name == NOTHING:
            return []
        if name != GO:
            return [FootAction(Command(name, {}))]
        now = self._fresh(at_s)
        if began_in is None or now is None:
            return [FootAction(told="nothing started: the state of the machine is not known well enough")]
        if (now.state, now.stop_count) != (began_in.state, began_in.stop_count):
            return [FootAction(told=f"nothing started: the state has just changed to {now.state}")]
        if now.state == "PAUSED":
            return [FootAction(Command("resume", {}))]
        if now.state == "RESTING":
            return [FootAction(Command("ready", {}))]
        if now.state == "ARMED" and now.drill is not None:
            return [FootAction(Command("start", {"stop_count": began_in.stop_count}))]
        return [FootAction(told=f"nothing to start in {now.state}; next: {now.next_step or 'status'}")]

    def _unplugged(self, at_s: float) -> list[FootAction]:
        if self.stage == "away":
            return []
        self.stage, self._waiting_press, self._lifted_at_s = "away", None, None
        under_way = self._seen is None or _under_way(self._seen)
        if self.meaning.unplugged == "pause" and under_way:
            return [FootAction(Command("pause", {}), told="the foot switch is gone: paused")]
        return [FootAction(told="the foot switch is gone")]

    def _fresh(self, at_s: float) -> Snapshot | None:
        return self._seen if self._seen is not None and at_s - self._seen_at_s <= FRESH_S else None


def _under_way(snapshot: Snapshot) -> bool:
    """Tell whether balls come, or wheels spin up for them, or a timed rest counts down to them."""
    timed_rest = snapshot.state == "RESTING" and not snapshot.rest_waits
    return snapshot.state in ("SPINUP", "FEEDING") or timed_rest
