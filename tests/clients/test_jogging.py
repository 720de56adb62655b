"""A hand on a key before the shipped engine and driver on a virtual clock: held it turns, let go it comes down."""

from collections.abc import Iterator

import pytest

from drillfeed.clients.jogging import (
    MAX_HOLD_S,
    MAX_REPEAT_S,
    MOTIONS,
    TOKEN_S,
    Contact,
    Hand,
    Jogger,
    KeyRepeats,
)
from drillfeed.clients.pedal.foot import Edge, Kind
from drillfeed.daemon.engine.hold import HELD_S
from drillfeed.protocol.spec import Caller
from tests.support.halls import WatchedHall

OWNER = Caller("owner", "owner", "unix socket", here=True)
STEP_S = 0.005
FIRST_REPEAT_S, REPEAT_S = 0.5, 0.033
RPM = 400.0


class Rig(WatchedHall):
    """The client's loop in front of a hall: a look each 5 ms."""

    def __init__(self, what: str, *figures: float) -> None:
        super().__init__()
        self.armed()
        assert self.hall.say("setup on", OWNER).ok
        self.jogger = Jogger(MOTIONS[what], figures)
        self.began_s = self.hall.now_s
        self.tokens_s: list[float] = []
        self.lines: list[str] = []

    def look(self, hand: Hand) -> None:
        """Send what is due, then let a step of time pass."""
        now_s = self.hall.now_s
        for line in self.jogger.lines(hand.there(now_s), now_s):
            self.lines.append(line)
            if line.startswith("hold"):
                self.tokens_s.append(now_s)
            self.jogger.answered(line, self.hall.say(line, OWNER))
        self.hall.run_for(STEP_S)

    def keys(self, moments_s: Iterator[float] | list[float], until_s: float) -> float:
        """Let a key come at some moments from now on, and look until `until_s` from now; return the last key's time."""
        hand, begun_s, last_s = KeyRepeats(), self.hall.now_s, float("-inf")
        waiting = list(moments_s)
        while self.hall.now_s - begun_s < until_s:
            while waiting and waiting[0] <= self.hall.now_s - begun_s + 1e-9:
                waiting.pop(0)
                last_s = self.hall.now_s
                hand.key(last_s)
            self.look(hand)
        return last_s

    def out_rpm(self) -> float:
        return self.hall.core.outputs.top_rpm

    def pushed(self) -> int:
        return sum(event["event"] == "feed" for event in self.log)


def repeated(seconds: float, first_s: float = FIRST_REPEAT_S) -> list[float]:
    """Return the moments of a key that is held down: the press, then its repeats."""
    count = int((seconds - first_s) / REPEAT_S)
    return [0.0, *(first_s + n * REPEAT_S for n in range(count))]


def test_a_held_key_turns_the_wheel_and_letting_go_brings_it_down() -> None:
    """It turns from the first repeats on; the driver lets it down at most 300 ms after the last repeat, to the tick."""
    rig = Rig("top", RPM)
    last_s = rig.keys(repeated(2.0), 2.0)
    assert rig.out_rpm() == RPM
    assert rig.tokens_s[0] - rig.began_s == pytest.approx(FIRST_REPEAT_S + REPEAT_S, abs=2 * STEP_S)
    gaps = [b - a for a, b in zip(rig.tokens_s, rig.tokens_s[1:], strict=False)]
    assert min(gaps) >= TOKEN_S - 1e-9 and max(gaps) <= 0.100 + 2 * STEP_S
    idle = KeyRepeats()
    while rig.out_rpm() == RPM and rig.hall.now_s < last_s + 1.0:
        rig.look(idle)
    assert rig.hall.now_s - last_s <= HELD_S + 0.025
    for _ in range(400):
        rig.look(idle)
    assert rig.out_rpm() == 0 and rig.state == "SETUP"
    rig.sound()


@pytest.mark.parametrize(
    "moments_s",
    [[0.0], [0.0, 0.2, 0.4, 0.6, 0.8], [0.0, MAX_REPEAT_S + 0.02, 2 * MAX_REPEAT_S + 0.04]],
    ids=["one press", "presses", "presses as quick as a finger"],
)
def test_presses_move_nothing(moments_s: list[float]) -> None:
    """A press that is not held sends no line at all: only repeats are a hand."""
    rig = Rig("top", RPM)
    rig.keys(moments_s, 2.0)
    assert rig.lines == [] and rig.out_rpm() == 0


def test_what_waited_while_the_client_stood_still_holds_nothing() -> None:
    """Keys that are read after a stall were pressed before it: forgotten, and the next key is a press."""
    hand = KeyRepeats()
    for moment_s in (0.0, 0.03, 0.06):
        hand.key(moment_s)
    hand.forget()
    assert not hand.there(0.06)
    hand.key(0.09)
    assert not hand.there(0.09)
    hand.key(0.12)
    assert hand.there(0.12) and not hand.there(0.12)
    assert not hand.there(0.12 + MAX_REPEAT_S)


def test_a_thing_on_the_key_is_no_hand() -> None:
    """After 20 s nothing more is sent until the key was let go."""
    rig = Rig("top", RPM)
    rig.keys(repeated(MAX_HOLD_S + 3.0), MAX_HOLD_S + 3.0)
    assert rig.out_rpm() == 0 and "let go" in rig.jogger.message
    assert rig.tokens_s[-1] - rig.tokens_s[0] <= MAX_HOLD_S + STEP_S
    rig.keys(repeated(1.5), 1.5)
    assert rig.out_rpm() == RPM


def test_one_ball_a_hold_once_both_wheels_have_arrived() -> None:
    """Held, both wheels come up and one ball goes; held on, no second; let go and held again, one more."""
    rig = Rig("ball", RPM, RPM)
    rig.hall.say("balls 20", OWNER)
    rig.keys(repeated(4.0), 4.0)
    assert rig.pushed() == 1
    rig.keys([], 2.0)
    assert rig.out_rpm() == 0
    rig.keys(repeated(4.0), 4.0)
    assert rig.pushed() == 2
    rig.sound()


def test_what_set_up_does_not_allow_is_told_and_not_tried_again() -> None:
    """Too fast a wheel: the reason is shown, and this hold sends nothing more."""
    rig = Rig("top", 3000.0)
    rig.keys(repeated(2.0), 2.0)
    assert "more than set-up allows" in rig.jogger.message
    assert [line.split()[0] for line in rig.lines] == ["hold", "jog"]


@pytest.mark.parametrize(
    ("kinds", "turns"),
    [(["found up", "down"], True), (["found down"], False), (["found up", "down", "unplugged"], False)],
    ids=["pressed", "found closed", "pulled out"],
)
def test_a_contact_holds_only_what_was_pressed(kinds: list[Kind], turns: bool) -> None:
    """A contact moves at once when pressed, and never because it was found closed or has gone."""
    rig, hand = Rig("top", RPM), Contact()
    for kind in kinds:
        hand.edge(Edge(rig.hall.now_s, kind))
    for _ in range(200):
        rig.look(hand)
    assert (rig.out_rpm() == RPM) is turns
    hand.forget()
    assert not hand.there(rig.hall.now_s)


def test_a_stop_from_elsewhere_ends_it() -> None:
    """After a stop the tokens are refused, and the wheel stays down however long the key is held."""
    rig = Rig("top", RPM)
    rig.keys(repeated(1.5), 1.5)
    rig.hall.say("stop")
    rig.keys(repeated(3.0, 0.033), 3.0)
    assert rig.out_rpm() == 0 and rig.state == "IDLE"
    rig.sound()


def test_every_motion_has_an_example_that_it_takes() -> None:
    """Each example names its motion and one figure an axis."""
    for name, motion in MOTIONS.items():
        what, *figures = motion.example.split()
        assert what == name and len(figures) == len(motion.axes)
