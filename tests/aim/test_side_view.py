"""The side view in characters."""

from drillfeed.daemon.aim.sideview import path_of, side_view
from drillfeed.daemon.physics.flight import fly
from drillfeed.daemon.physics.launch import launch_from

FLIGHT = fly(launch_from(5.5, -35, -20))


def test_the_view_has_table_net_path_and_every_touch() -> None:
    """Table, net and path are there, and as many touches as the flight has; no line is wider than a terminal."""
    lines = side_view(FLIGHT, width=70).splitlines()
    assert max(len(line) for line in lines) <= 80
    assert "".join(lines[:-2]).count("x") == len(FLIGHT.bounces) == 3
    assert any("=" * 30 in line for line in lines)
    assert any("|" in line for line in lines)


def test_the_path_begins_at_the_release_and_passes_every_touch() -> None:
    """Points along the path begin where the ball was released and come within 2 mm of each touch."""
    points = path_of(FLIGHT)
    assert points[0][1:] == FLIGHT.launch.position_m
    for touch in FLIGHT.bounces:
        assert min(abs(x - touch.x_m) + abs(z - 0.02) for _, x, _, z in points) < 0.002
