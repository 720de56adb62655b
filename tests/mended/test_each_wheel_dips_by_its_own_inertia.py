"""The dip of a wheel follows from its own inertia and size: a machine upside down is the same machine."""

import math
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from drillfeed.clients.drivers.traits import WheelTraits
from drillfeed.clients.drivers.wheels import throw as simulated_throw
from drillfeed.daemon.drills.balls import BallType
from drillfeed.daemon.drills.drill import Drill, Set
from drillfeed.daemon.drills.written import FixedSequence
from drillfeed.daemon.library.loading import load_balls, load_machine
from drillfeed.daemon.machine import Machine
from drillfeed.daemon.physics.thrower import Rims, speed_share, spin_share, thrown_by
from drillfeed.daemon.planning.plan import plan_drill
from drillfeed.daemon.planning.setting import NotPossible, Setting, rims_asked, setting_for
from drillfeed.daemon.planning.transition import CONTROL_GRID_S, transition, wheel_change_s
from drillfeed.daemon.wheel import Wheel

CLUB = load_machine("club-build")
UP_MPS2 = 0.5  # so slow that recovery decides, not the feeder
INERTIAS = st.floats(2e-5, 1e-3)
MILLIMETRES = st.floats(50, 90)


def unequal(top: dict[str, Any], bottom: dict[str, Any], on: Machine = CLUB) -> Machine:
    """Return a machine whose wheels differ, without its trims or calibration."""
    return on.model_copy(update={"top": on.top.model_copy(update=top), "bottom": on.bottom.model_copy(update=bottom)})


def flat(speed_mps: float, spin_revps: float) -> BallType:
    return BallType.model_validate(
        {
            "name": "a-ball",
            "title": "a ball",
            "level": "club",
            "speed_mps": speed_mps,
            "spin_revps": spin_revps,
            "tilt_deg": 10.0,
        }
    )


def traits(wheel: Wheel) -> WheelTraits:
    return WheelTraits(
        high_rpm=wheel.highest_rpm,
        rise_rpm_per_s=1000.0,
        diameter_m=wheel.diameter_mm / 1000,
        inertia_kgm2=wheel.inertia_kg_m2,
    )


@settings(deadline=None, max_examples=300)
@given(INERTIAS, INERTIAS, MILLIMETRES, MILLIMETRES, st.floats(4, 10), st.floats(-20, 20))
def test_exchanged_wheels_give_exchanged_dips(
    one_i: float, two_i: float, one_mm: float, two_mm: float, speed_mps: float, spin_revps: float
) -> None:
    """A machine upside down throws topspin where it threw backspin; each wheel takes its speed and its dip along."""
    one_wheel = {"inertia_kg_m2": one_i, "diameter_mm": one_mm}
    two = {"inertia_kg_m2": two_i, "diameter_mm": two_mm}
    try:
        upright = setting_for(flat(speed_mps, spin_revps), unequal(one_wheel, two))
        over = setting_for(flat(speed_mps, -spin_revps), unequal(two, one_wheel))
    except NotPossible:
        return
    assert (upright.top_rpm, upright.bottom_rpm) == pytest.approx((over.bottom_rpm, over.top_rpm), abs=2e-3)
    assert (upright.top_dip_rpm, upright.bottom_dip_rpm) == pytest.approx(
        (over.bottom_dip_rpm, over.top_dip_rpm), abs=2e-3
    )


@settings(deadline=None, max_examples=300)
@given(INERTIAS, INERTIAS, MILLIMETRES, MILLIMETRES, st.floats(4, 10), st.floats(-20, 20))
def test_the_dip_is_what_the_simulated_thrower_loses(
    top_i: float, bottom_i: float, top_mm: float, bottom_mm: float, speed_mps: float, spin_revps: float
) -> None:
    """The planner's dip and the simulated thrower's, worked out apart from the same momentum, agree (0.001 rpm)."""
    machine = unequal(
        {"inertia_kg_m2": top_i, "diameter_mm": top_mm}, {"inertia_kg_m2": bottom_i, "diameter_mm": bottom_mm}
    )
    try:
        found = setting_for(flat(speed_mps, spin_revps), machine)
    except NotPossible:
        return
    *_, top_rpm, bottom_rpm = simulated_throw(
        traits(machine.top), traits(machine.bottom), found.top_rpm, found.bottom_rpm, 0.0027, 0.020
    )
    assert found.top_dip_rpm == pytest.approx(max(found.top_rpm - top_rpm, 0.0), abs=2e-3)
    assert found.bottom_dip_rpm == pytest.approx(max(found.bottom_rpm - bottom_rpm, 0.0), abs=2e-3)


def test_the_light_wheel_dips_more() -> None:
    """Of two wheels that throw a ball without spin, the one of a third of the inertia loses three times as much."""
    found = setting_for(flat(8.0, 0.0), unequal({"inertia_kg_m2": 3e-4}, {"inertia_kg_m2": 1e-4}))
    assert 2.9 < found.bottom_dip_rpm / found.top_dip_rpm < 3.1


@pytest.mark.parametrize(
    ("top_i", "bottom_i", "wheel"), [(3e-4, 3e-5, "bottom"), (3e-5, 3e-4, "top")], ids=["light bottom", "light top"]
)
def test_the_wait_between_equal_balls_is_the_light_wheels(top_i: float, bottom_i: float, wheel: str) -> None:
    """A set of equal balls waits for the wheel that dips more, whichever of the two it is, and names it."""
    slow = {"up_mps2": UP_MPS2}
    machine = unequal({"inertia_kg_m2": top_i, **slow}, {"inertia_kg_m2": bottom_i, **slow})
    order = FixedSequence(kind="fixed", balls=("flat-block",))
    drill = Drill(name="a-drill", title="a drill", level="club", tempo_per_min=90, set=(Set(balls=6, sequence=order),))
    planned_set = plan_drill(drill, load_balls(), machine, 1).sets[0]
    setting = planned_set.balls[0].setting
    rim_drop = {
        "top": machine.top.rim_mps(setting.top_dip_rpm),
        "bottom": machine.bottom.rim_mps(setting.bottom_dip_rpm),
    }
    assert max(rim_drop, key=lambda name: rim_drop[name]) == wheel
    found = transition(machine, setting, setting)
    assert found.axis == wheel and found.text.startswith(f"{wheel} wheel needs")
    rpm = getattr(setting, f"{wheel}_rpm")
    dip_rpm = getattr(setting, f"{wheel}_dip_rpm")
    recovery_s = wheel_change_s(machine.wheel(wheel), rpm - dip_rpm, rpm)  # type: ignore[arg-type]
    assert recovery_s == pytest.approx(rim_drop[wheel] / UP_MPS2, rel=1e-6)
    needed_s = machine.feeder.latency_s + planned_set.spread_s + recovery_s + machine.settling.wheels_s + CONTROL_GRID_S
    assert planned_set.interval_s == pytest.approx(needed_s)


@pytest.mark.parametrize("name", ["club-build", "hall-pan", "hall-roll", "kit-build"])
def test_machines_with_equal_wheels_keep_their_plans(name: str) -> None:
    """Where both wheels are alike the dip is, to the last digit told, what mean and difference of the rims lose."""
    machine = load_machine(name)
    assert machine.top.inertia_kg_m2 == machine.bottom.inertia_kg_m2
    radius_m = machine.top.diameter_mm / 2000
    of_speed = speed_share(machine.top.inertia_kg_m2, radius_m)
    of_spin = spin_share(machine.top.inertia_kg_m2, radius_m)
    looked_at = 0
    for ball in load_balls().values():
        try:
            found, rims = setting_for(ball, machine), rims_asked(machine, ball)
        except NotPossible:
            continue
        looked_at += 1
        speed, spin = thrown_by(rims)
        half = 2 * math.pi * spin * of_spin * 0.020
        after = Rims(speed * of_speed + half, speed * of_speed - half)
        assert found.top_dip_rpm == round(max(machine.top.rpm(rims.top_mps - after.top_mps), 0.0), 3)
        assert found.bottom_dip_rpm == round(max(machine.bottom.rpm(rims.bottom_mps - after.bottom_mps), 0.0), 3)
    assert looked_at >= 4


def test_a_setting_with_no_dip_waits_for_nothing() -> None:
    """The recovery that is planned comes from the dip alone: without one only settling and the grid are left."""
    still = Setting(3000.0, 3000.0, 10.0)
    assert transition(CLUB, still, still).seconds == pytest.approx(CLUB.settling.wheels_s + CONTROL_GRID_S)
