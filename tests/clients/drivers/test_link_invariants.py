"""What holds of a driver whatever is sent to it, in whatever order, with whatever pauses."""

from hypothesis import given, settings
from hypothesis import strategies as st

from tests.clients.drivers.link_rig import LIMITS, Rig

SETPOINT = st.fixed_dictionaries(
    {
        "rpm": st.sampled_from([0.0, 1500.0, 6000.0, 7000.0]),
        "feeding": st.booleans(),
        "feed": st.none() | st.tuples(st.integers(0, 6), st.sampled_from([-0.05, 0.0, 0.02, 0.2])),
        "ahead_s": st.sampled_from([-0.4, 0.0, 0.1, 0.3]),
        "ramp": st.sampled_from([500.0, 3000.0, 9e9]),
        "epoch": st.integers(-1, 1),
        "seq": st.sampled_from([None, 0]),
        "session": st.sampled_from(["session-1", "session-1", "session-1", "session-2"]),
    }
)
STEP = st.one_of(
    st.tuples(st.just("setpoint"), SETPOINT),
    st.tuples(
        st.just("order"), st.tuples(st.sampled_from(["arm", "arm", "stop", "disarm", "clear"]), st.integers(-1, 1))
    ),
    st.tuples(st.just("hello"), st.sampled_from(["session-1", "session-2"])),
    st.tuples(st.just("bytes"), st.binary(max_size=40)),
    st.tuples(st.just("run"), st.sampled_from([0.02, 0.1, 0.5])),
    st.tuples(st.just("quiet"), st.sampled_from([0.005, 0.1, 0.4, 1.0])),
    st.tuples(st.just("frozen"), st.sampled_from([0.1, 3.0])),
)


class Watched(Rig):
    """A rig that looks at the outputs before and after each tick."""

    def tick(self, dt_s: float = 0.005) -> list:  # type: ignore[type-arg]
        before, fed = dict(self.board.rpm), len(self.board.fed)
        answers = super().tick(dt_s)
        fastest = max(LIMITS.top.up_rpm_per_s, LIMITS.top.quick_rpm_per_s) * min(dt_s, 0.05) + 1e-6
        for wheel, rpm in self.board.rpm.items():
            assert abs(rpm - before[wheel]) <= fastest
            assert 0.0 <= rpm <= LIMITS.top.high_rpm
        if len(self.board.fed) > fed:
            assert self.core.mode == "armed" and self.core.gate.open
            assert self.core.accepted_s is not None and self.now - self.core.accepted_s <= 0.250
        assert not (self.core.gate.open and self.core.mode != "armed")
        return answers


def act(rig: Watched, kind: str, what: object) -> None:
    """Do one step of a story."""
    if kind == "setpoint" and isinstance(what, dict):
        feed = what["feed"]
        rig.give(
            rig.setpoint(
                rpm=what["rpm"],
                feeding=what["feeding"],
                feeds=() if feed is None else ((feed[0], max(rig.now + feed[1], 0.0)),),
                ahead_s=what["ahead_s"],
                ramp=what["ramp"],
                epoch=max(0, rig.core.epoch + what["epoch"]),
                seq=what["seq"],
                session=what["session"],
            )
        )
    elif kind == "order" and isinstance(what, tuple):
        rig.give(rig.order(what[0], session=rig.core.session or "none", epoch=max(0, rig.core.epoch + what[1])))
    elif kind == "hello" and isinstance(what, str):
        rig.give(rig.hello(session=what))
    elif kind == "bytes" and isinstance(what, bytes):
        rig.give(what)
    elif kind == "run" and isinstance(what, float):
        feed_id = len(rig.log)
        rig.run(
            what,
            rpm=1500.0,
            feeding=True,
            feeds=((feed_id, rig.now + what / 2),),
            session=rig.core.session or "none",
            epoch=rig.core.epoch,
        )
    elif kind == "quiet" and isinstance(what, float):
        rig.quiet(what)
    elif kind == "frozen" and isinstance(what, float):
        rig.tick(what)


@settings(max_examples=150, deadline=None)
@given(st.lists(STEP, max_size=40), st.booleans())
def test_whatever_comes(story: list[tuple[str, object]], spinning: bool) -> None:
    """At most one actuation an id; none but armed, fed by fresh setpoints; outputs in limits and without a jump."""
    rig = Watched()
    if spinning:
        rig.spin()
    for kind, what in story:
        act(rig, kind, what)
    spent: set[object] = set()
    for event, _, told in rig.log:
        if event == "session":
            spent.clear()
        if event == "feed":
            assert told["id"] not in spent
            spent.add(told["id"])


@settings(max_examples=100, deadline=None)
@given(st.lists(STEP.filter(lambda step: step[0] != "order"), max_size=25), st.sampled_from(["stop", "disarm"]))
def test_nothing_is_pushed_or_raised_after_a_stop(story: list[tuple[str, object]], kind: str) -> None:
    """After a stop, until an arm is accepted, no ball is pushed and no wheel output rises, whatever else comes."""
    rig = Watched().spin()
    assert isinstance(rig, Watched)
    rig.give(rig.order(kind, session="whoever"))
    fed, top = len(rig.board.fed), rig.board.rpm["top"]
    for what in story:
        act(rig, *what)
        assert len(rig.board.fed) == fed
        assert rig.board.rpm["top"] <= top
        top = rig.board.rpm["top"]


@settings(max_examples=100, deadline=None)
@given(st.lists(STEP.filter(lambda step: step[0] != "order"), max_size=25))
def test_clear_never_changes_an_output(story: list[tuple[str, object]]) -> None:
    """Wherever a story has led, clear leaves every output as it is."""
    rig = Watched().spin()
    assert isinstance(rig, Watched)
    for what in story:
        act(rig, *what)
    before = dict(rig.board.rpm), dict(rig.board.deg), len(rig.board.fed)
    rig.give(rig.order("clear", session=rig.core.session or "none", epoch=rig.core.epoch))
    assert (rig.board.rpm, rig.board.deg, len(rig.board.fed)) == before
