"""The ball types of the trade, worked out independently with the same model: opening 20 cm back, 25 cm high."""

import pytest

from drillfeed.daemon.physics.flight import fly
from drillfeed.daemon.physics.launch import launch_from

ROWS = {
    "no-spin": (6.5, 0, 18.9, 95, 24, 15, 3.8),
    "light topspin": (7.0, 18, 22.0, 100, 28, 27, 4.4),
    "rally topspin": (8.5, 40, 15.4, 110, 20, 41, 5.8),
    "slow heavy topspin": (7.5, 48, 19.5, 105, 25, 41, 5.8),
    "fast topspin": (10.5, 58, 10.9, 120, 16, 55, 7.3),
    "flat block": (8.0, 8, 13.9, 110, 19, 23, 4.5),
    "light push": (6.5, -20, 13.3, 100, 18, -7, 3.8),
    "heavy push": (6.5, -32, 14.1, 105, 20, -19, 3.8),
    "deep chop": (7.0, -44, 11.3, 115, 18, -31, 4.0),
    "high ball": (6.2, 15, 57.8, 95, 105, 15, 4.5),
}


@pytest.mark.parametrize("row", ROWS.values(), ids=ROWS.keys())
def test_worked_ball_types(row: tuple[float, ...]) -> None:
    """Depth, net clearance, and speed and spin after the bounce are those of the worked table.

    Tolerances: tilt is given to 0.1 degree (0.7 cm of depth), clearance to a centimetre, the rest to the last place.
    """
    speed, spin, tilt, depth_cm, net_cm, spin_after, speed_after = row
    flight = fly(launch_from(speed, spin, tilt))
    assert flight.valid and flight.landing and flight.depth_m and flight.net_clearance_m
    assert 100 * flight.depth_m == pytest.approx(depth_cm, abs=0.7)
    assert 100 * flight.net_clearance_m == pytest.approx(net_cm, abs=1.0)
    assert flight.landing.spin_after_revps == pytest.approx(spin_after, abs=0.6)
    assert flight.landing.speed_after_mps == pytest.approx(speed_after, abs=0.06)


@pytest.mark.parametrize(
    ("speed", "spin", "tilt", "own_cm", "depth_cm", "net_cm", "second_cm"),
    [(5.5, -35, -20, 32, 50, 10, 116), (7.5, 38, -11, 55, 115, 6, None)],
    ids=["short backspin", "long topspin"],
)
def test_worked_serve_wise_balls(
    speed: float, spin: float, tilt: float, own_cm: float, depth_cm: float, net_cm: float, second_cm: float | None
) -> None:
    """Balls thrown serve-wise touch the thrower's half, pass the net and land where the worked table says (1-2 cm)."""
    flight = fly(launch_from(speed, spin, tilt))
    assert flight.valid and flight.serve_wise and flight.depth_m and flight.net_clearance_m
    assert 100 * flight.bounces[0].x_m == pytest.approx(own_cm, abs=2.0)
    assert 100 * flight.depth_m == pytest.approx(depth_cm, abs=1.0)
    assert 100 * flight.net_clearance_m == pytest.approx(net_cm, abs=1.0)
    if second_cm is not None:
        assert 100 * (flight.second_bounce_m or 0.0) == pytest.approx(second_cm, abs=1.0)
        assert flight.length == "short"
