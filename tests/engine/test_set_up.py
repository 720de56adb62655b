"""Set-up on the virtual clock: held or nothing, slow, one ball a hold, and out of it by every stop and fault."""

from collections.abc import Callable

import pytest

from drillfeed.daemon.engine.hold import HELD_S, SETUP_RIM_MPS
from drillfeed.protocol.lines import Reply
from drillfeed.protocol.link import Setpoint
from drillfeed.protocol.spec import Caller
from tests.support.halls import WatchedHall, machine

OWNER = Caller("owner", "owner", "unix socket", here=True)
TOKEN_S = 0.100
JOG_RPM = 400.0
MAX_OUT_RPM = 60 * SETUP_RIM_MPS / (3.14159 * 0.060)


class Bench(WatchedHall):
    """The owner at the machine."""

    token = 0

    def say(self, line: str) -> Reply:
        """Type a line as the owner."""
        return self.hall.say(line, OWNER)

    def set_up(self) -> "Bench":
        """Go on until set-up is on."""
        self.armed()
        assert self.say("setup on").ok
        return self

    def hold(self, seconds: float, every_s: float = TOKEN_S) -> None:
        """Hold for a while: a token now and every 100 ms, the last one at the end."""
        end_s = self.hall.now_s + seconds
        while True:
            self.token += 1
            assert self.say(f"hold {self.token}").ok
            if self.hall.now_s >= end_s - 1e-6:
                return
            self.hall.run_for(every_s)

    def turning(self, rpm: float = JOG_RPM, seconds: float = 1.0) -> "Bench":
        """Hold, jog both wheels and go on holding."""
        self.hold(0.0)
        for wheel in ("top", "bottom"):
            assert self.say(f"jog {wheel} {rpm:g}").ok
        self.hold(seconds)
        return self

    def out_rpm(self) -> float:
        """Return what the driver gives the top wheel."""
        return self.hall.core.outputs.top_rpm

    def refusal(self, line: str) -> str:
        """Type a line that must be refused; return the name of its code and the text."""
        reply = self.say(line)
        assert not reply.ok and reply.code is not None
        return f"{reply.code.name}: {reply.text}"


def test_set_up_turns_nothing_by_itself() -> None:
    """Going in, holding and waiting: no wheel has moved."""
    bench = Bench().set_up()
    bench.hold(1.0)
    bench.hall.run_for(1.0)
    assert bench.state == "SETUP" and not [event for event in bench.log if event["event"] == "wheels"]


def test_a_wheel_turns_while_held_and_no_longer() -> None:
    """Held for a second it turns as told; 300 ms after the last token, to the tick, the driver lets it down."""
    bench = Bench().set_up().turning()
    last_s = bench.hall.now_s
    assert bench.out_rpm() == JOG_RPM
    assert bench.hall.run_until(lambda: bench.out_rpm() < JOG_RPM, 1.0)
    assert bench.hall.now_s - last_s == pytest.approx(HELD_S, abs=0.025)
    bench.hall.run_for(2.0)
    assert bench.out_rpm() == 0 and bench.state == "SETUP"
    bench.sound()


def test_a_daemon_that_freezes_does_not_hold() -> None:
    """The daemon stands still right after a token: the driver lets go by its own watchdog, within half a second."""
    bench = Bench().set_up().turning()
    bench.hall.frozen.add("daemon")
    last_s = bench.hall.now_s
    assert bench.hall.run_until(lambda: bench.out_rpm() < JOG_RPM, 1.0)
    assert bench.hall.now_s - last_s <= 0.51


def test_each_token_counts_once_and_only_if_it_is_greater() -> None:
    """A repeated or an older token is refused and holds nothing: the wheels come down all the same."""
    bench = Bench().set_up().turning()
    for _ in range(10):
        bench.hall.run_for(TOKEN_S)
        assert "not-held: token" in bench.refusal(f"hold {bench.token}")
        assert "not-held: token 0 is not fresh" in bench.refusal("hold 0")
    assert bench.out_rpm() == 0


def test_after_a_gap_a_new_hold_moves_nothing() -> None:
    """Let go, then held again: what was jogged before is forgotten; it takes a new jog."""
    bench = Bench().set_up().turning()
    bench.hall.run_for(2.0)
    bench.hold(1.0)
    assert bench.out_rpm() == 0
    assert bench.say(f"jog top {JOG_RPM:g}").ok
    bench.hold(1.0)
    assert bench.out_rpm() == JOG_RPM


@pytest.mark.parametrize("late_s", [0.15, 0.20, 0.29])
def test_a_late_token_within_the_hold_is_no_gap(late_s: float) -> None:
    """Tokens that come late, but within 300 ms, keep it going; the speed never steps."""
    bench = Bench().set_up().turning()
    bench.hold(2.0, every_s=late_s)
    bench.hall.run_for(0.2)
    assert bench.out_rpm() == pytest.approx(JOG_RPM, abs=JOG_RPM * 0.6) and bench.out_rpm() > 0
    bench.sound()


REFUSED = {
    "not held": (None, "jog top 400", "not-held"),
    "too fast": (1, "jog top 480", "beyond-setup: top wheel 480 rpm"),
    "far too fast": (1, "jog bottom 5000", "expected 0, or 200 to 477 rpm (1.5 m/s at the rim)"),
    "below its lowest": (1, "jog top 100", "beyond-setup"),
    "backwards": (1, "jog top -300", "beyond-setup"),
    "tilt beyond": (1, "jog tilt 61", "beyond-setup: tilt 61 degrees is more than set-up allows; expected -30 to 60"),
    "a ball between wheels that stand": (1, "feed one", "beyond-setup: a ball would stick"),
    "a ball not held": (None, "feed one", "not-held"),
}


@pytest.mark.parametrize(("held", "line", "told"), REFUSED.values(), ids=list(REFUSED))
def test_what_set_up_refuses_moves_nothing(held: int | None, line: str, told: str) -> None:
    """A refusal names its reason; no axis moves."""
    bench = Bench().set_up()
    if held is not None:
        bench.hold(0.0)
    assert told in bench.refusal(line)
    bench.hold(0.5)
    assert bench.out_rpm() == 0 and not bench.feeds()


def test_no_setpoint_of_set_up_is_faster_than_its_cap() -> None:
    """At the most that is allowed, nothing on the wire passes 1.5 m/s at the rim."""
    bench = Bench().set_up().turning(477.0)
    speeds = [point.top.rpm for _, point in bench.setpoints]
    assert max(speeds) == 477.0 <= MAX_OUT_RPM


def test_the_tilt_moves_while_held_and_stays_where_it_is_let_go() -> None:
    """Let go on its way, the tilt stops within 300 ms at most, and stays."""
    bench = Bench().set_up()
    bench.hold(0.0)
    assert bench.say("jog tilt 60").ok
    bench.hall.run_for(2.0)
    deg = bench.hall.board.angles_deg["tilt"]
    assert 0 < deg <= 90 * (HELD_S + 0.025)
    bench.hall.run_for(1.0)
    assert bench.hall.board.angles_deg["tilt"] == deg


def test_one_ball_a_hold() -> None:
    """Held and arrived: one ball; a second in the same hold is refused; after letting go and holding anew, another."""
    bench = Bench().armed()
    bench.ok("balls 20")
    bench.say("setup on")
    bench.turning()
    assert bench.say("feed one").ok
    bench.hold(1.0)
    assert "one ball a hold" in bench.refusal("feed one")
    assert len(bench.feeds()) == 1 and bench.hall.board.balls_left == 1
    bench.hall.run_for(1.5)
    bench.turning()
    assert bench.say("feed one").ok
    bench.hold(1.0)
    assert len(bench.feeds()) == 2 == bench.hall.board.balls_left
    assert bench.told("log")[-3:] == ["set-up: one ball done", "let go: wheels run down", "set-up: one ball done"]
    assert bench.engine.parts.feeder.balls_left == 18
    bench.sound()


def test_a_ball_whose_hold_lapses_before_its_moment_is_not_fed() -> None:
    """Asked for at the very end of a hold: the hand is off before the feeder moves, and no ball comes."""
    bench = Bench().set_up().turning()
    bench.hall.run_for(0.25)
    assert bench.say("feed one").ok
    bench.hall.run_for(2.0)
    assert not bench.feeds() and bench.hall.board.balls_left == 0
    assert "let go: wheels run down" in bench.told("log")


def test_a_ball_before_the_wheels_have_arrived_is_refused() -> None:
    """Jogged a moment ago: not there yet, with the speed that was found."""
    bench = Bench().set_up()
    bench.hold(0.0)
    bench.say("jog top 400")
    bench.say("jog bottom 400")
    assert "beyond-setup: not there yet: top wheel at" in bench.refusal("feed one")


def stop(bench: Bench) -> None:
    assert bench.hall.say("stop", Caller("anyone", "somebody", "elsewhere")).ok


def pause(bench: Bench) -> None:
    assert "let go" in bench.hall.say("pause", Caller("anyone", "somebody", "elsewhere")).text


def lose_link(bench: Bench) -> None:
    bench.lost = True


def power_up(bench: Bench) -> None:
    bench.hall.power_up()


def go_out(bench: Bench) -> None:
    assert bench.say("setup off").ok


WAYS_OUT: dict[str, tuple[Callable[[Bench], None], tuple[str, ...]]] = {
    "stop by anyone": (stop, ("STOPPING", "IDLE")),
    "pause by anyone": (pause, ("SETUP",)),
    "link lost": (lose_link, ("QUICKSTOP", "FAULT")),
    "driver restarted": (power_up, ("QUICKSTOP", "FAULT")),
    "setup off": (go_out, ("STOPPING", "IDLE")),
}


@pytest.mark.parametrize(("way", "states"), WAYS_OUT.values(), ids=list(WAYS_OUT))
def test_every_stop_and_fault_ends_what_is_held(way: Callable[[Bench], None], states: tuple[str, ...]) -> None:
    """Tokens go on coming, and the wheels stand all the same; out of set-up nothing in it is possible any more."""
    bench = Bench().set_up().turning()
    way(bench)
    for _ in range(30):
        bench.hall.run_for(TOKEN_S)
        if bench.state == "SETUP" and states != ("SETUP",):
            bench.token += 1
            bench.say(f"hold {bench.token}")
    assert bench.state in states and bench.hall.board.top_rpm < 40
    if bench.state != "SETUP":
        assert "wrong-state" in bench.refusal("jog top 400")
    bench.sound()


def test_what_set_up_throws_belongs_to_no_drill() -> None:
    """Balls of set-up are in no drill's counts: those are blank."""
    bench = Bench().feeding(fed=2)
    bench.ok("stop")
    assert bench.hall.until_state("IDLE")
    bench.ok("arm")
    bench.say("setup on")
    bench.turning()
    bench.say("feed one")
    bench.hold(1.0)
    assert bench.engine.parts.practice.run is None and bench.hall.board.balls_left >= 3


def test_a_machine_without_feedback_is_set_up_too() -> None:
    """Nothing measured: wheels count as arrived by the driver's output; the ball is fed, the crank's turn counted."""
    bench = Bench(machine("kit-build"))
    bench.armed()
    bench.say("setup on")
    bench.turning(450.0, 3.0)
    assert bench.say("feed one").ok
    bench.hold(2.0)
    assert len(bench.feeds()) == 1 and bench.engine.parts.feeder.crank_turns == 1
    bench.sound()


def test_a_crank_let_go_in_mid_turn_stands_nobody_knows_where() -> None:
    """A timed crank whose feed is closed while it turns must be turned to its mark by hand."""
    bench = Bench(machine("kit-build"))
    bench.armed()
    bench.say("setup on")
    bench.turning(450.0, 3.0)
    bench.hall.run_for(0.1)
    assert bench.say("feed one").ok
    bench.hall.run_for(2.0)
    assert len(bench.feeds()) == 1 and bench.engine.parts.feeder.crank_turns is None


def test_each_setpoint_of_set_up_is_short_sighted() -> None:
    """The lead is a tick above the least: what is planned further would outlive the hand."""
    bench = Bench().set_up()
    began = len(bench.setpoints)
    bench.turning()
    ahead = [ahead_of(bench, sent_s, point) for sent_s, point in bench.setpoints[began:]]
    assert max(ahead) <= 0.125


def ahead_of(bench: Bench, sent_s: float, point: Setpoint) -> float:
    """Return how far ahead a setpoint's moment was when it was sent."""
    return point.at_s - bench.hall.driver_offset_s - sent_s
