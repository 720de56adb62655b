"""Sidespin of a ball type from the plan to the notice, the status and the driver's log, on the virtual clock."""

import pytest

from drillfeed.daemon.engine.snapshot import snapshot
from tests.support.halls import WatchedHall, ball_types, drill_plan, machine

BALLS = ("light-topspin", "forehand-side-topspin", "backhand-side-push")


def test_a_ball_with_sidespin_is_told_everywhere_as_its_type_says() -> None:
    """Notices and status carry sidespin and roll as planned; the driver's log has both spins in the type's proportion.

    The roll has no scatter, so that the proportion is the type's but for the log's rounding, whatever the wheels do.
    """
    types = ball_types()
    plan = drill_plan(machine("hall-roll"), sets=(3,), balls=BALLS)
    hall = WatchedHall(machine("hall-roll")).started(plan)
    assert hall.hall.until_state("FEEDING", max_s=60.0)
    ahead = snapshot(hall.engine.parts, hall.hall.now_s).next_ball
    assert ahead is not None and (ahead.ball, ahead.side_revps) == (BALLS[0], 0.0)
    assert hall.hall.until_state("ARMED", max_s=60.0)
    last = snapshot(hall.engine.parts, hall.hall.now_s).last_ball
    assert last is not None and (last.ball, last.side_revps) == (BALLS[2], types[BALLS[2]].side_revps)
    told = [event.fields for event in hall.hall.events if event.topic == "ball"]
    left = [event for event in hall.log if event["event"] == "leaves"]
    assert len(told) == len(left) == len(BALLS)
    for notice, planned, ball in zip(told, plan.sets[0].balls, left, strict=True):
        kind = types[planned.ball]
        assert (notice["spin_revps"], notice["side_revps"]) == (kind.spin_revps, kind.side_revps)
        assert (notice["pan_deg"], notice["roll_deg"]) == (planned.setting.pan_deg, planned.setting.roll_deg)
        assert ball["roll_deg"] == pytest.approx(planned.setting.roll_deg, abs=1e-3)
        share = kind.side_revps / kind.spin_revps
        assert ball["side_revps"] == pytest.approx(share * ball["spin_revps"], abs=5e-3)
        assert ball["spin_revps"] * kind.spin_revps > 0


def test_a_head_that_does_not_roll_tells_no_roll_and_no_sidespin() -> None:
    """There is no roll to tell, and the log has the whole spin as topspin."""
    hall = WatchedHall().started(drill_plan(sets=(2,)))
    assert hall.hall.until_state("ARMED", max_s=60.0)
    told = [event.fields for event in hall.hall.events if event.topic == "ball"]
    assert [(ball["side_revps"], ball["roll_deg"], ball["pan_deg"]) for ball in told] == [(0.0, None, None)] * 2
    assert [(event["side_revps"], event["roll_deg"]) for event in hall.log if event["event"] == "leaves"] == [
        (0.0, 0.0)
    ] * 2
