"""A small share of the stops and pauses at random instants; 10,000: `python -m tests.engine.stops_at_random`."""

import pytest

from tests.engine.stops_at_random import judge
from tests.support.halls import WatchedHall, drill_plan, machine


@pytest.mark.parametrize("act", ["stop", "pause"])
@pytest.mark.parametrize("name", ["club-build", "kit-build"])
@pytest.mark.parametrize("after_s", [0.4, 2.61, 4.77, 7.703, 9.1, 10.234])
def test_whenever_it_comes_nothing_is_actuated_after_it(act: str, name: str, after_s: float) -> None:
    """Read within the link's delay and a tick, feed closed with it, no actuation after, at rest in time."""
    profile = machine(name)
    hall = WatchedHall(profile, delay_s=0.01).started(drill_plan(profile, sets=(6,)))
    hall.hall.run_for(after_s)
    assert judge(hall, act)["problems"] == []
