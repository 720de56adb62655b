"""Whatever an owner types in set-up, at any moment: nothing moves without a hand, nothing is fast, one ball a hold."""

from itertools import pairwise

from hypothesis import Phase, given, settings
from hypothesis import strategies as st

from drillfeed.daemon.engine.hold import HELD_S, SETUP_RIM_MPS
from drillfeed.protocol.link import TICK_S
from drillfeed.protocol.spec import Caller
from tests.support.halls import WatchedHall

OWNER = Caller("owner", "owner", "unix socket", here=True)
LINES = (
    "jog top 400", "jog bottom 450", "jog top 0", "jog tilt 20", "jog tilt -10", "jog top 900", "feed one", "hold 0",
    "pause", "stop", "setup on", "setup off", "arm", "disarm", "balls 3",
)  # fmt: skip
STEPS = st.one_of(
    st.sampled_from(LINES),
    st.sampled_from([0.02, 0.25, 0.35, 1.0]),
    st.integers(1, 12),  # so many tokens, one each 100 ms
)
BEGUN: tuple[str | int, ...] = ("setup on", 1, "jog top 400", "jog bottom 450", 8)


# No shrinking: a story is short enough to read as it is.
@settings(max_examples=12, deadline=None, phases=[Phase.explicit, Phase.reuse, Phase.generate])
@given(st.lists(STEPS, max_size=25))
def test_nothing_moves_without_a_hand(steps: list[str | float | int]) -> None:
    """No setpoint rises, and no ball is fed, later than 300 ms after a fresh token; no rim passes 1.5 m/s."""
    bench = WatchedHall().armed()
    tokens_s: list[float] = []
    for step in (*BEGUN, *steps):
        if isinstance(step, str):
            bench.hall.say(step, OWNER)
        elif isinstance(step, float):
            bench.hall.run_for(step)
        else:
            for _ in range(step):
                if bench.hall.say(f"hold {len(tokens_s) + 1}", OWNER).ok:
                    tokens_s.append(bench.hall.now_s)
                bench.hall.run_for(0.1)
    bench.hall.run_for(1.0)
    max_rpm = bench.on.top.rpm(SETUP_RIM_MPS)
    before = None
    for sent_s, point in bench.setpoints:
        assert max(point.top.rpm, point.bottom.rpm) <= max_rpm
        if before is not None and before.epoch == point.epoch and point.top.rpm > before.top.rpm:
            held_s = max(at_s for at_s in tokens_s if at_s <= sent_s)
            assert point.at_s - bench.hall.driver_offset_s <= held_s + HELD_S + TICK_S
        before = point
    fed_s = [feed["t"] - bench.hall.driver_offset_s for feed in bench.feeds()]
    assert all(any(0 <= at_s - token_s <= HELD_S + TICK_S for token_s in tokens_s) for at_s in fed_s)
    gaps = sum(b - a > HELD_S + TICK_S for a, b in pairwise(tokens_s))
    assert len(fed_s) <= 1 + gaps + steps.count("pause") + steps.count("setup on")
    bench.sound()
