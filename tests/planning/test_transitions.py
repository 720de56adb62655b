"""How long axes need between two settings, against closed forms and against the law of coasting, integrated anew."""

import math
from dataclasses import replace

import pytest
from scipy.integrate import solve_ivp

from drillfeed.daemon.library.loading import load_machine
from drillfeed.daemon.machine import Machine
from drillfeed.daemon.planning.setting import Setting
from drillfeed.daemon.planning.transition import CONTROL_GRID_S, transition, wheel_change_s

CLUB, KIT, PAN = (load_machine(name) for name in ("club-build", "kit-build", "hall-pan"))
BASE = Setting(3000.0, 2000.0, 10.0)


def test_a_braked_wheel_changes_at_its_rates() -> None:
    """Up by 15, down by 20 m/s^2 at the rim of a 60 mm wheel: the time is the difference over the rate."""
    rim_mps = 1000 / 60 * math.pi * 0.060
    assert wheel_change_s(CLUB.top, 2000, 3000) == pytest.approx(rim_mps / 15)
    assert wheel_change_s(CLUB.top, 3000, 2000) == pytest.approx(rim_mps / 20)


def test_a_coasting_wheel_follows_its_law() -> None:
    """Without a brake the fall takes as long as dw/dt = -(w + f)/tau takes, integrated by scipy to 1e-10.

    The dry part f is fixed by the spin-down time: from the highest speed the wheel rests after exactly that.
    """
    wheel = KIT.top
    tau_s, friction = wheel.coast_time_constant_s, wheel.coast_friction_rpm
    assert tau_s is not None
    assert wheel_change_s(wheel, wheel.highest_rpm, 0.0) == pytest.approx(wheel.spin_down_s)

    def reached(t: float, rpm: "list[float]") -> float:
        return rpm[0] - 1200.0

    reached.terminal = True  # type: ignore[attr-defined]
    fall = solve_ivp(lambda t, rpm: -(rpm + friction) / tau_s, (0, 20), [2500.0], events=reached, rtol=1e-10)
    assert wheel_change_s(wheel, 2500.0, 1200.0) == pytest.approx(float(fall.t_events[0][0]), rel=1e-6)


def test_a_change_of_direction_goes_through_rest() -> None:
    """From forwards to backwards is down to rest and up again, one after the other."""
    through = wheel_change_s(CLUB.top, 1000, 0) + wheel_change_s(CLUB.top, 0, 500)
    assert wheel_change_s(CLUB.top, 1000, -500) == pytest.approx(through)


@pytest.mark.parametrize(
    ("machine", "end", "axis", "seconds"),
    [
        (CLUB, replace(BASE, top_rpm=4000.0), "top", 1000 / 60 * math.pi * 0.060 / 15 + CLUB.settling.wheels_s),
        (CLUB, replace(BASE, bottom_rpm=1000.0), "bottom", 1000 / 60 * math.pi * 0.060 / 20 + CLUB.settling.wheels_s),
        (CLUB, replace(BASE, tilt_deg=55.0), "tilt", 45 / 90 + CLUB.settling.tilt_s),
        (KIT, replace(BASE, tilt_deg=22.0), "tilt", 12 / 12 + KIT.settling.tilt_s),
    ],
)
def test_the_slowest_axis_decides(machine: Machine, end: Setting, axis: str, seconds: float) -> None:
    """The time is that of the slowest axis, its settling and one grid of control; the text names that axis."""
    found = transition(machine, BASE, end)
    assert found.seconds == pytest.approx(seconds + CONTROL_GRID_S)
    assert found.axis == axis and found.text.startswith(axis)


def test_pan_counts_where_the_machine_has_one() -> None:
    """Across the table pan may be the slowest axis: 24 degrees at 60 a second."""
    left, right = replace(BASE, pan_deg=12.0), replace(BASE, pan_deg=-12.0)
    found = transition(PAN, left, right)
    assert found.seconds == pytest.approx(24 / 60 + PAN.settling.tilt_s + CONTROL_GRID_S)
    assert found.text == "pan needs 0.5 s from 12.0 to -12.0 degrees"


def test_each_ball_dips_the_wheels_and_the_next_waits_for_it() -> None:
    """Between two equal balls the dip is made up for at the rate up."""
    dipped = replace(BASE, top_dip_rpm=90.0, bottom_dip_rpm=30.0)
    needed = 90 / 60 * math.pi * 0.060 / 15 + CLUB.settling.wheels_s + CONTROL_GRID_S
    found = transition(CLUB, dipped, dipped)
    assert found.seconds == pytest.approx(needed)
    assert found.text == "top wheel needs 0.02 s to recover from each ball"


def test_a_dip_is_counted_on_by_nobody() -> None:
    """On the way down the ball's brake is not relied on: the time is that of the full way."""
    dipped = replace(BASE, top_dip_rpm=500.0)
    down = replace(BASE, top_rpm=2000.0)
    assert transition(CLUB, dipped, down).seconds == pytest.approx(transition(CLUB, BASE, down).seconds)
