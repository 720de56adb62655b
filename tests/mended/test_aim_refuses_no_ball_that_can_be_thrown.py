"""Aim refuses no ball that can be thrown, misses no arc, and names only limits that help when lifted."""

from dataclasses import replace

import numpy as np
import pytest

from drillfeed.daemon.aim.aiming import aim
from drillfeed.daemon.aim.hops import figures, look_at_many
from drillfeed.daemon.aim.request import AimRequest, NoSolution, Solution
from drillfeed.daemon.aim.solve import solutions
from drillfeed.daemon.aim.thrower import Thrower, launch_by, launches_by
from drillfeed.daemon.physics.fourth_order import FOURTH
from drillfeed.daemon.physics.launch import head_spin
from drillfeed.daemon.physics.motion import coefficients_of
from tests.aim.brute_force import CLUB, KINDS, KIT, LEARNT, judge, requests_of, run
from tests.aim.every_ball import Field


def _has(found: tuple[Solution, ...], speed_mps: float, tilt_deg: float) -> bool:
    return any(abs(s.speed_mps - speed_mps) < 0.05 and abs(s.tilt_deg - tilt_deg) < 0.5 for s in found)


@pytest.mark.parametrize(
    ("thrower", "asked", "speed_mps", "tilt_deg"),
    [
        (CLUB, AimRequest(14.17, depth_m=0.411, apex_m=0.963), 5.10, 55.4),
        (CLUB, AimRequest(-3.67, depth_m=0.956, apex_m=0.921), 5.56, 44.5),
        (LEARNT, AimRequest(-8.44, depth_m=0.212, clearance_m=0.334, arc="high"), 5.12, 58.9),
        (LEARNT, AimRequest(5.55, tilt_deg=56.537, clearance_m=0.377, arc="serve-wise"), 3.76, 56.5),
        (CLUB, AimRequest(18.86, speed_mps=4.842, arrival_s=0.868), 4.842, 8.6),
        (KIT, AimRequest(1.95, depth_m=0.701, clearance_m=0.408), 5.23, 37.1),
        (KIT, AimRequest(1.95, tilt_deg=20.815, clearance_m=0.047, arc="serve-wise"), 3.99, 20.8),
        (CLUB, AimRequest(-28.11, tilt_deg=49.89, arrival_s=1.289, arc="high"), 6.29, 49.9),
    ],
    ids=["apex", "apex, other limit", "no reason", "tilt", "speed", "kit", "kit, serve-wise", "arrival ends there"],
)
def test_a_ball_known_to_meet_the_wish_is_among_the_answers(
    thrower: Thrower, asked: AimRequest, speed_mps: float, tilt_deg: float
) -> None:
    """Balls found by trying speeds and tilts in turn are answers of aim."""
    assert _has(aim(thrower, asked), speed_mps, tilt_deg)


@pytest.mark.parametrize(
    ("thrower", "asked", "needs"),
    [
        (KIT, AimRequest(-0.61, speed_mps=9.579, clearance_m=0.443, arc="serve-wise"), "needs tilt 80.4"),
        (CLUB, AimRequest(44.36, speed_mps=8.213, clearance_m=0.443), "needs tilt 82.6"),
        (LEARNT, AimRequest(7.92, speed_mps=10.486, clearance_m=0.431), "needs tilt 81.7"),
        (KIT, AimRequest(-0.02, speed_mps=15.484, clearance_m=0.476), "needs tilt 83."),
    ],
    ids=["serve-wise", "wheels too", "learnt", "fast"],
)
def test_a_lob_that_lives_within_a_degree_names_its_limit(thrower: Thrower, asked: AimRequest, needs: str) -> None:
    """A lob's clearance falls from metres to nothing within a degree of tilt: the limit is still found."""
    with pytest.raises(NoSolution) as refused:
        aim(thrower, asked)
    assert "tilt_high" in refused.value.limits
    assert needs in refused.value.reason
    assert solutions(thrower.lifted(*refused.value.limits), asked)


def test_against_brute_force() -> None:
    """Over all kinds of requests on three machines brute force finds nothing wrong; the bench does 500 of each kind."""
    verdicts, _ = run(6, seed=11, a_field=2, step_mps=0.2, step_deg=1.0)
    faults = [
        (name, asked.describe(), v.fault, v.text) for told in verdicts.values() for asked, name, v in told if v.fault
    ]
    assert len(verdicts) == len(KINDS)
    assert faults == []


def test_brute_force_would_notice() -> None:
    """The judge calls a refusal of a known ball false, and an answer without it incomplete."""
    field = Field(KIT, 1.95, step_mps=0.2, step_deg=1.0)
    asked = AimRequest(1.95, depth_m=0.701, clearance_m=0.408)
    (balls,) = field.meetings([asked])
    assert balls
    weak = replace(KIT, tilt_deg=(2.0, 30.0))
    assert judge(KIT, asked, balls).fault == ""
    assert judge(weak, asked, balls).fault == ""  # refused, and rightly
    other = replace(asked, depth_m=0.95)
    assert judge(KIT, other, balls).fault in ("missed arc", "false refusal")
    assert list(requests_of(field, KINDS[0], 2, np.random.default_rng(1)))


def test_a_side_is_reached_with_much_bend() -> None:
    """A slow ball with much sidespin is found at a side, though straight on it would fall elsewhere."""
    thrower = replace(CLUB, pan_deg=(-40.0, 40.0), roll_deg=(-90.0, 90.0))
    head = head_spin(10.0, 30.0)
    for tilt_deg in (12.0, 20.0, 30.0, 45.0):
        speed_mps = 5.6 if tilt_deg > 15.0 else 6.5
        shape = {"roll_deg": head.roll_deg, "tilt_deg": tilt_deg, "speed_mps": speed_mps}
        (known,) = solutions(thrower, AimRequest(head.revps, placement_m=None, **shape))
        assert known.flight.landing_m is not None
        asked = AimRequest(
            head.revps,
            depth_m=known.flight.depth_m,
            apex_m=known.flight.apex_m,
            placement_m=known.flight.landing_m[1],
            roll_deg=head.roll_deg,
        )
        assert _has(solutions(thrower, asked), speed_mps, tilt_deg)


def test_a_refusal_gives_a_reason() -> None:
    """A refusal says more than what was asked."""
    asked = AimRequest(-8.44, depth_m=0.212, clearance_m=0.334, arc="high")
    with pytest.raises(NoSolution) as refused:
        aim(replace(LEARNT, tilt_deg=(-30.0, 40.0)), asked)
    assert refused.value.limits == ("tilt_high",)
    assert "needs tilt 58.9 degrees" in refused.value.reason


def test_the_first_look_counts_nothing_after_the_landing() -> None:
    """Arrival as first seen, in long steps, is within 4 ms of the ball's own also where it lands near the end line."""
    law = coefficients_of(CLUB.ball, CLUB.air)
    tilts = np.linspace(5.0, 40.0, 60)
    launches = launches_by(CLUB, np.full(60, 6.5), 5.0, tilts, 0.0, 0.0)
    seen, _ = look_at_many(launches, law, CLUB.ball, arrival=True, noting=True, rule=FOURTH)
    for k, tilt in enumerate(tilts):
        own = figures(launch_by(CLUB, 6.5, 5.0, float(tilt)), law, CLUB.ball, 1, arrival=True)
        if 0.0 < own.depth_m < 1.5 and np.isfinite(own.arrival_s):
            assert seen.arrival_s[k] == pytest.approx(own.arrival_s, abs=4e-3)
