"""Free flight against a general physics engine (MuJoCo), whose fluid forces on a sphere are set to the same law.

Its drag has no factor 1/2, so its coefficient is half of ours. Its lift is C rho V (omega x v), from which its virtual
mass (half the displaced air, for a sphere) takes 1/2: both were read off its forces with either coefficient at zero.
"""

import math
from dataclasses import replace

import mujoco
import numpy as np
import pytest

from drillfeed.daemon.physics.air import Air
from drillfeed.daemon.physics.bounce import Vector
from drillfeed.daemon.physics.motion import acceleration, coefficients_of
from drillfeed.daemon.physics.table import PLAIN_BALL
from tests.support.free_flight import free_flight

LIFT_BY_VOLUME = 0.12
BALL = replace(PLAIN_BALL, lift_by_volume=True, lift_slope=8 / 3 * LIFT_BY_VOLUME)
WORLD = f"""
<mujoco>
  <option density="1.204" viscosity="0" gravity="0 0 -9.80665" timestep="0.0005" integrator="RK4"/>
  <worldbody><body><freejoint/>
    <inertial pos="0 0 0" mass="0.0027" diaginertia="7.2e-7 7.2e-7 7.2e-7"/>
    <geom type="sphere" size="0.02" contype="0" conaffinity="0" fluidshape="ellipsoid"
          fluidcoef="{0.55 / 2} 0 0 0 {LIFT_BY_VOLUME + 0.5}"/>
  </body></worldbody>
</mujoco>"""
LAUNCHES = [
    ((8.5, 0.0, 2.3), (0.0, 251.0, 0.0)),
    ((6.5, 0.4, 1.6), (20.0, -200.0, 30.0)),
    ((18.0, -1.0, 1.0), (0.0, 700.0, -100.0)),
    ((4.0, 0.0, 6.0), (0.0, 0.0, 90.0)),
]


@pytest.mark.parametrize(("v", "w"), LAUNCHES, ids=["topspin", "backspin", "fast", "lob with sidespin"])
def test_forces_and_path_agree(v: Vector, w: Vector) -> None:
    """Forces agree with MuJoCo to 3e-6 (its virtual mass comes from a quadrature), 0.5 s of flight to 0.1 mm."""
    model = mujoco.MjModel.from_xml_string(WORLD)
    data = mujoco.MjData(model)
    data.qvel[:3], data.qvel[3:] = v, w
    mujoco.mj_forward(model, data)
    law = coefficients_of(BALL, Air(1.204))
    ours = acceleration(v, w, law)
    assert np.allclose(data.qacc[:3], ours, rtol=3e-6, atol=1e-5)
    for _ in range(1000):
        mujoco.mj_step(model, data)
    place, velocity = free_flight((0.0, 0.0, 0.0), v, w, 0.5, law)
    assert math.dist(place, data.qpos[:3]) < 1e-4
    assert math.dist(velocity, data.qvel[:3]) < 1e-3
