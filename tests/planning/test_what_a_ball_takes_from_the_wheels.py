"""How far each ball slows the wheels, and with what share of their speed it leaves, against the momentum of the throw.

Outside source: conservation of angular momentum at each wheel (textbook), solved here by numpy as four equations.
"""

import math

import numpy as np
import pytest

from drillfeed.daemon.drills.balls import BallType
from drillfeed.daemon.machine import Machine
from drillfeed.daemon.planning.rims import shares
from drillfeed.daemon.planning.setting import setting_for
from tests.support.halls import ball_types, machine

MASS_KG, RADIUS_M = 0.0027, 0.020


def with_inertias(on: Machine, top_kg_m2: float, bottom_kg_m2: float) -> Machine:
    """Return a machine whose wheels have these moments of inertia."""
    top = on.top.model_copy(update={"inertia_kg_m2": top_kg_m2})
    bottom = on.bottom.model_copy(update={"inertia_kg_m2": bottom_kg_m2})
    return on.model_copy(update={"top": top, "bottom": bottom})


def rims_after(on: Machine, top_mps: float, bottom_mps: float) -> tuple[float, float]:
    """Return both rim speeds after a throw, from four equations: momentum at each wheel, and no slip at the end.

    Unknown: speed v and surface speed w of the ball, rims u_t = v + w and u_b = v - w. The wheels give the impulses
    J_t and J_b with J_t + J_b = m v and (J_t - J_b) r = (2/3) m r^2 (w / r), and each loses J R^2 / I at its rim.
    """
    lost = [(wheel.diameter_mm / 2000) ** 2 / wheel.inertia_kg_m2 for wheel in (on.top, on.bottom)]
    equations = np.array(
        [
            [MASS_KG, 0.0, -1.0, -1.0],
            [0.0, 2 / 3 * MASS_KG, -1.0, 1.0],
            [1.0, 1.0, lost[0], 0.0],
            [1.0, -1.0, 0.0, lost[1]],
        ]
    )
    v, w, *_ = np.linalg.solve(equations, np.array([0.0, 0.0, top_mps, bottom_mps]))
    return float(v + w), float(v - w)


@pytest.mark.parametrize("ball", ["light-topspin", "heavy-push", "rally-topspin"])
def test_each_wheel_has_its_own_dip(ball: str) -> None:
    """Both dips are what the ball's momentum takes from that wheel, to a hundredth of an rpm; neither is nothing."""
    on = machine()
    kind: BallType = ball_types()[ball]
    setting = setting_for(kind, on)
    before = (on.top.rim_mps(setting.top_rpm), on.bottom.rim_mps(setting.bottom_rpm))
    after = rims_after(on, *before)
    expected = [on.top.rpm(before[0] - after[0]), on.bottom.rpm(before[1] - after[1])]
    assert setting.top_dip_rpm == pytest.approx(max(expected[0], 0.0), abs=0.01)
    assert setting.bottom_dip_rpm == pytest.approx(max(expected[1], 0.0), abs=0.01)
    assert max(setting.top_dip_rpm, setting.bottom_dip_rpm) > 1.0


def test_the_share_of_speed_comes_from_both_wheels() -> None:
    """With unlike wheels the mean of both inertias counts: exchanging the wheels changes nothing."""
    on = machine()
    radius_m = (on.top.diameter_mm + on.bottom.diameter_mm) / 4000
    mean = (on.top.inertia_kg_m2 + on.bottom.inertia_kg_m2) / 2
    expected = 1 / (1 + MASS_KG * radius_m**2 / (2 * mean)), 1 / (1 + MASS_KG * radius_m**2 / (3 * mean))
    assert shares(on) == pytest.approx(expected)
    unlike = with_inertias(on, 0.5e-4, 1.5e-4)
    assert shares(unlike) == pytest.approx(shares(with_inertias(on, 1.5e-4, 0.5e-4)))
    assert shares(unlike) == pytest.approx(shares(with_inertias(on, 1e-4, 1e-4)))
    assert math.isclose(shares(unlike)[0], 1 / (1 + MASS_KG * radius_m**2 / 2e-4))
