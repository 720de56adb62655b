"""From a ball type to rpm and tilt, and the limit that stops it, against closed forms."""

import math

import pytest

from drillfeed.daemon.aim.thrower import rim_limits
from drillfeed.daemon.drills.balls import BallType
from drillfeed.daemon.library.loading import load_balls, load_machine
from drillfeed.daemon.machine import Machine
from drillfeed.daemon.planning.rims import max_spin_at, shares
from drillfeed.daemon.planning.setting import NotPossible, setting_for

CLUB, KIT = load_machine("club-build"), load_machine("kit-build")
BALL_RADIUS_M = 0.020


def ball(speed_mps: float, spin_revps: float, tilt_deg: float = 15.0) -> BallType:
    return BallType(
        name="a-ball", title="a ball", speed_mps=speed_mps, spin_revps=spin_revps, tilt_deg=tilt_deg, level="club"
    )


@pytest.mark.parametrize(("speed_mps", "spin_revps"), [(6.5, 0.0), (8.5, 40.0), (6.5, -32.0), (10.5, 58.0)])
def test_wheels_turn_as_two_wheels_without_slip_must(speed_mps: float, spin_revps: float) -> None:
    """v = (top + bottom)/2 and spin = (top - bottom)/(4 pi r), what the ball takes from the wheels added back."""
    setting = setting_for(ball(speed_mps, spin_revps), CLUB)
    rim = math.pi * 0.060 / 60
    of_speed, of_spin = shares(CLUB)
    top, bottom = setting.top_rpm * rim, setting.bottom_rpm * rim
    assert (top + bottom) / 2 * of_speed == pytest.approx(speed_mps, rel=1e-5)
    assert (top - bottom) / (4 * math.pi * BALL_RADIUS_M) * of_spin == pytest.approx(spin_revps, abs=2e-3)
    assert setting.top_dip_rpm > 0 or setting.bottom_dip_rpm > 0


def test_most_spin_is_where_a_limit_is_touched() -> None:
    """The slow wheel at a tenth of the fast one: spin = v (1 - 0.1)/(1 + 0.1) / (2 pi r); the fast one at its most."""
    of_speed, of_spin = shares(CLUB)
    for speed in (5.0, 7.0):
        grip = speed / of_speed * 0.9 / 1.1 / (2 * math.pi * BALL_RADIUS_M) * of_spin
        assert max_spin_at(CLUB, speed) == pytest.approx(grip, rel=1e-6)
    fast = (rim_limits(CLUB).max_mps - 15.0 / of_speed) / (2 * math.pi * BALL_RADIUS_M) * of_spin
    assert max_spin_at(CLUB, 15.0) == pytest.approx(fast, rel=1e-6)


@pytest.mark.parametrize(
    ("machine", "wanted", "says"),
    [
        (KIT, ball(8.5, 40), "needs the top rim at 13.7 m/s; this machine's rims reach 10.0"),
        (CLUB, ball(5.0, 36), "to grip it must keep 10% of the top rim's"),
        (CLUB, ball(5.0, 60), "needs the bottom wheel at -2.5 m/s; this machine's wheels do not reverse"),
        (CLUB, ball(5.0, -60), "needs the top wheel at -2.5 m/s; this machine's wheels do not reverse"),
        (
            KIT,
            ball(6.5, 0, tilt_deg=-20),
            "tilt -20 degrees; this machine tilts 2 to 40; nearest that works: 2 degrees",
        ),
    ],
    ids=["rim", "grip", "reverse topspin", "reverse backspin", "tilt"],
)
def test_a_refusal_names_the_limit_and_the_nearest_ball(machine: Machine, wanted: BallType, says: str) -> None:
    """What a machine can't do is refused with the figures, and the nearest ball that is named can be thrown."""
    with pytest.raises(NotPossible) as caught:
        setting_for(wanted, machine)
    text = str(caught.value)
    assert says in text
    if "rev/s at" in text:
        spin, _, rest = text.split("nearest that works: ")[1].partition(" rev/s at ")
        setting_for(ball(float(rest.removesuffix(" m/s")), float(spin)), machine)


def test_no_setting_passes_the_machines_limits() -> None:
    """Each shipped ball is within every limit of each shipped machine, or refused."""
    for machine in (CLUB, KIT, load_machine("hall-pan"), load_machine("hall-roll")):
        limits = machine.limits()
        thrown = 0
        for ball in load_balls().values():
            try:
                setting = setting_for(ball, machine)
            except NotPossible:
                continue
            thrown += 1
            assert limits.top.low_rpm <= setting.top_rpm <= limits.top.high_rpm
            assert limits.bottom.low_rpm <= setting.bottom_rpm <= limits.bottom.high_rpm
            assert machine.tilt.low_deg <= setting.tilt_deg <= machine.tilt.high_deg
            for axis, deg in ((limits.pan, setting.pan_deg), (limits.roll, setting.roll_deg)):
                assert (axis is None) is (deg is None)
                assert axis is None or deg is None or axis.low_deg <= deg <= axis.high_deg
        assert thrown >= 4
