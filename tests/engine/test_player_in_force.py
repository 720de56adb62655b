"""The limits of who plays, in the engine: chosen at rest alone, kept by every plan and every setpoint."""

from dataclasses import replace
from itertools import pairwise
from typing import Any, get_args

import pytest

from drillfeed.daemon.drills.drill import Drill, read_drill
from drillfeed.daemon.drills.players import Player
from drillfeed.daemon.drills.profiles import HOUSE_PROFILES, Profile
from drillfeed.daemon.engine.request import ChosenPlayer, Request
from drillfeed.daemon.engine.snapshot import snapshot
from drillfeed.daemon.planning.plan import DrillPlan, plan_drill
from drillfeed.daemon.simulation import PLAYER
from drillfeed.protocol.commands import parse
from drillfeed.protocol.errors import CODES
from drillfeed.protocol.status import State
from drillfeed.protocol.status_text import status_lines
from tests.support.halls import WatchedHall, ball_types, drill_plan, machine

JUNIOR, ADVANCED = HOUSE_PROFILES.of("junior"), HOUSE_PROFILES.of("advanced")
GENTLE = ("light-topspin", "light-push")


def a_drill(tempo: float = 45, balls: tuple[str, ...] = GENTLE, n: int = 6, **more: Any) -> Drill:
    part = {"balls": n, "sequence": {"kind": "fixed", "balls": balls}}
    head = {"name": "a-drill", "title": "a drill", "level": "beginner", "tempo_per_min": tempo, "start_delay_s": 5}
    return read_drill({**head, "set": [part], **more}, "a test")


def planned(drill: Drill, profile: Profile | None) -> DrillPlan:
    return plan_drill(drill, ball_types(), machine(), 1, player=Player(profile=profile))


def chosen(profile: Profile | None = JUNIOR) -> WatchedHall:
    """Return a hall at rest in which a player of this level was chosen."""
    hall = WatchedHall().ready()
    plays = None if profile is None else ChosenPlayer("left-hander", profile)
    reply = hall.hall.say("players choose left-hander", player=plays)
    assert reply.ok, reply.text
    return hall


def rims_mps(hall: WatchedHall) -> list[float]:
    """Return every rim speed that went over the wire."""
    wheels = ((machine().top, "top"), (machine().bottom, "bottom"))
    return [abs(wheel.rim_mps(getattr(sent, name).rpm)) for _, sent in hall.setpoints for wheel, name in wheels]


def test_a_drill_above_the_tempo_runs_evenly_at_the_players_and_below_the_rims_allowed() -> None:
    """45 a minute asked, 35 fed by the driver's clock, to the tick; no setpoint passes the rim speed of the level."""
    hall = chosen()
    hall.ok("load a-drill", planned(a_drill(), JUNIOR))
    hall.ok("arm")
    hall.ok(f"start {hall.engine.parts.mode.stop_count}")
    assert hall.hall.until_state("ARMED", max_s=90.0)
    leaves = [event.fields["planned_leaves_s"] for event in hall.hall.events if event.topic == "ball"]
    assert [b - a for a, b in pairwise(map(float, leaves))] == pytest.approx([60 / 35] * 5, abs=0.02)  # type: ignore[arg-type]
    assert 5.0 < max(rims_mps(hall)) <= JUNIOR.caps.max_rim_mps + 1e-6


def test_the_limiter_keeps_the_rims_of_the_player_whatever_a_plan_asks_for() -> None:
    """A plan that asks for 13.7 m/s under a limit of 11 gets 11 at most: the limiter is behind the planner."""
    hall = chosen()
    wild = planned(a_drill(balls=("rally-topspin",)), None)
    hall.ok("load a-drill", replace(wild, player=Player(profile=JUNIOR)))
    hall.ok("arm")
    hall.ok(f"start {hall.engine.parts.mode.stop_count}")
    hall.hall.run_for(12.0)
    assert max(rims_mps(hall)) == pytest.approx(JUNIOR.caps.max_rim_mps, abs=1e-6)
    assert hall.commanded == 0, "axes that do not arrive get no ball"


def test_with_nobody_chosen_the_machine_alone_limits_the_rims() -> None:
    """Choosing nobody in particular lifts the cap again; the status says which limits hold."""
    hall = chosen()
    assert hall.hall.say("players choose").ok
    hall.ok("load a-drill", planned(a_drill(balls=("rally-topspin",)), None))
    hall.ok("arm")
    hall.ok(f"start {hall.engine.parts.mode.stop_count}")
    assert hall.hall.run_until(lambda: hall.commanded >= 1)
    assert max(rims_mps(hall)) == pytest.approx(13.7, abs=0.1)
    assert "limits       nobody is chosen: those of machine and drill alone" in status_lines(told(hall))


def told(hall: WatchedHall) -> Any:
    return snapshot(hall.engine.parts, hall.hall.now_s)


@pytest.mark.parametrize("state", [state for state in get_args(State) if state != "IDLE"])
def test_outside_idle_nobody_is_chosen(state: State) -> None:
    """Each other state refuses with a code of the list, the state it takes, and nothing is changed."""
    hall = chosen()
    hall.ok("load a-drill", planned(a_drill(), JUNIOR))
    plan, rules = hall.engine.parts.practice.plan, dict(hall.engine.parts.motion.axes.limiter._rules)
    hall.engine.parts.mode.state = state
    for line, plays in (
        ("players choose right-hander", ChosenPlayer("right-hander", ADVANCED)),
        ("players choose", None),
    ):
        hall.engine.command(Request(parse(line), PLAYER, 999, player=plays), hall.hall.now_s)
        ((token, reply),) = hall.engine.take_effects().replies
        assert token == 999 and reply.code == CODES["wrong-state"]
        assert f"players choose is not possible now; expected IDLE; found {state}. Next: " in reply.text
    assert (
        hall.engine.parts.practice.profile,
        hall.engine.parts.practice.plan,
        hall.engine.parts.motion.axes.limiter._rules,
    ) == (JUNIOR, plan, rules)


def test_who_is_chosen_unloads_what_was_planned_for_another() -> None:
    """The answer says so; a start finds nothing loaded, and the status tells the level and its limits."""
    hall = WatchedHall().ready()
    hall.ok("load a-drill", drill_plan())
    reply = hall.hall.say("players choose left-hander", player=ChosenPlayer("left-hander", JUNIOR))
    assert reply.text == f"left-hander plays; limits: {JUNIOR.text}; a-drill is loaded no more"
    hall.ok("arm")
    assert hall.refused(f"start {hall.engine.parts.mode.stop_count}") == "no-drill"
    assert (told(hall).level, told(hall).limits) == ("junior", JUNIOR.text)


@pytest.mark.parametrize("line", ["load a-drill", "throw light-push 0"])
@pytest.mark.parametrize("planned_for", [None, ADVANCED])
def test_a_plan_made_for_other_limits_is_not_taken(line: str, planned_for: Profile | None) -> None:
    """Planned before somebody was chosen, come after: refused, and the same line again is planned anew."""
    hall = chosen()
    if line.startswith("throw"):
        hall.ok("arm")
    reply = hall.hall.say(line, plan=planned(a_drill(30), planned_for))
    assert reply.code == CODES["busy"] and "who plays has changed" in reply.text
    assert hall.engine.parts.practice.plan is None and hall.engine.parts.practice.run is None
