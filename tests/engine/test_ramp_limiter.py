"""The ramp limiter against closed forms, and against whatever a mistake elsewhere might hand it."""

import math

import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from drillfeed.daemon.engine.ramp import LONGEST_STEP_S, AxisRule, RampLimiter, limited
from drillfeed.protocol.link import TICK_S

BRAKED = AxisRule(low=0.0, high=6000.0, up=4000.0, down=5000.0, quick=8000.0)
REVERSING = AxisRule(low=-6000.0, high=6000.0, up=4000.0, down=5000.0, quick=8000.0)
COASTING = AxisRule(low=0.0, high=3000.0, up=2000.0, down=9e9, quick=9e9, coast_tau_s=2.0, coast_friction=60.0)
ANGLE = AxisRule(low=-30.0, high=60.0, up=90.0, down=90.0, quick=90.0, to_zero=False)
# No machine profile gives an angle two rates; the limiter would keep each to its direction all the same.
LIFT = AxisRule(low=-30.0, high=60.0, up=90.0, down=60.0, quick=70.0, to_zero=False)
RULES = {"braked": BRAKED, "reversing": REVERSING, "coasting": COASTING, "angle": ANGLE}
ANY = st.floats() | st.sampled_from([math.nan, math.inf, -math.inf, 0.0, -0.0, 1e9, -1e9, 5e-324])
STEPS = st.sampled_from([0.0, -1.0, TICK_S, 0.005, 0.1, 3.0, math.nan, math.inf, -math.inf]) | st.floats(0, 0.2)
# One rounding of a sum of numbers up to 6000.
ROUNDING = 1e-9


def counted(dt_s: float) -> float:
    """Return the time that the limiter may count of a step."""
    return min(max(dt_s, 0.0), LONGEST_STEP_S) if math.isfinite(dt_s) else 0.0


@pytest.mark.parametrize(
    ("rule", "before", "target", "dt_s", "quick", "then"),
    [
        (BRAKED, 0.0, 3000.0, 0.02, False, 80.0),
        (BRAKED, 2990.0, 3000.0, 0.02, False, 3000.0),
        (BRAKED, 3000.0, 0.0, 0.02, False, 2900.0),
        (BRAKED, 3000.0, 0.0, 0.02, True, 2840.0),
        (BRAKED, 3000.0, 2950.0, 0.02, False, 2950.0),
        (BRAKED, 50.0, 0.0, 0.02, False, 0.0),
        (BRAKED, 6000.0, 9000.0, 0.02, False, 6000.0),
        (BRAKED, 100.0, -500.0, 0.02, False, 0.0),
        (REVERSING, 50.0, -500.0, 0.02, False, 0.0),
        (REVERSING, 0.0, -500.0, 0.02, False, -80.0),
        (REVERSING, -3000.0, 0.0, 0.02, True, -2840.0),
        (COASTING, 0.0, 3000.0, 0.02, False, 40.0),
        (ANGLE, 0.0, 60.0, 0.02, False, 1.8),
        (ANGLE, 0.0, -60.0, 0.02, True, -1.8),
        (ANGLE, -29.0, -60.0, 0.02, False, -30.0),
        (ANGLE, 10.0, math.nan, 0.02, False, 10.0),
        (ANGLE, math.nan, 10.0, 0.02, False, -28.2),
        (BRAKED, 3000.0, math.nan, 0.02, False, 2900.0),
        (BRAKED, 3000.0, math.inf, 0.02, False, 2900.0),
        (BRAKED, 50.0, math.nan, 0.02, False, 0.0),
        (LIFT, 0.0, 60.0, 0.02, False, 1.8),
        (LIFT, 0.0, -60.0, 0.02, False, -1.2),
        (BRAKED, math.nan, 3000.0, 0.02, False, 80.0),
        (BRAKED, 3000.0, 0.0, 3.0, False, 2500.0),
        (BRAKED, 3000.0, 0.0, -3.0, False, 3000.0),
        (BRAKED, 3000.0, 0.0, math.nan, False, 3000.0),
    ],
)
def test_one_step(rule: AxisRule, before: float, target: float, dt_s: float, quick: bool, then: float) -> None:
    """Each direction has its own rate, ranges hold, and what is no number means stop (an angle: stay)."""
    assert limited(before, target, dt_s, rule, quick) == pytest.approx(then, abs=ROUNDING)


def test_a_ramp_takes_its_closed_form_time() -> None:
    """Up takes change / rate, to the tick, and a quick stop is shorter than an ordinary one."""
    for target, quick, start, rate in (
        (5000.0, False, 0.0, 4000.0),
        (0.0, False, 5000.0, 5000.0),
        (0.0, True, 5000.0, 8000.0),
    ):
        value, ticks = start, 0
        while value != target:
            value, ticks = limited(value, target, TICK_S, BRAKED, quick), ticks + 1
        assert ticks == math.ceil(round(abs(target - start) / rate / TICK_S, 9))


def test_a_coasting_wheel_follows_its_curve() -> None:
    """Without a brake w(t) = (w0 + f) exp(-t / tau) - f, whatever the steps (textbook: viscous and dry friction)."""
    value, at_s = 2800.0, 0.0
    for dt_s in [0.02, 0.1, 0.005, 0.02] * 20:
        value, at_s = limited(value, 0.0, dt_s, COASTING, quick=True), at_s + dt_s
        assert value == pytest.approx((2800.0 + 60.0) * math.exp(-at_s / 2.0) - 60.0, rel=1e-9)


@pytest.mark.parametrize("rule", RULES.values(), ids=RULES.keys())
@given(before=ANY, target=ANY, dt_s=STEPS, quick=st.booleans())
@example(before=math.nan, target=math.nan, dt_s=math.nan, quick=True)
def test_whatever_comes_in_the_step_is_bounded(
    rule: AxisRule, before: float, target: float, dt_s: float, quick: bool
) -> None:
    """What comes out is a number in range, no further from where the axis was than rate x time."""
    then = limited(before, target, dt_s, rule, quick)
    assert math.isfinite(then) and rule.low <= then <= rule.high
    was = min(max(before, rule.low), rule.high) if math.isfinite(before) else (0.0 if rule.to_zero else rule.low)
    rising = abs(then) > abs(was) if rule.to_zero else then > was
    rate = rule.up if rising else (rule.quick if quick and rule.to_zero else rule.down)
    assert abs(then - was) <= rate * counted(dt_s) + ROUNDING


@given(before=st.floats(-6000, 6000), target=ANY, dt_s=STEPS, quick=st.booleans())
def test_a_reversal_passes_through_rest(before: float, target: float, dt_s: float, quick: bool) -> None:
    """No step leads from one direction of turning to the other."""
    assert limited(before, target, dt_s, REVERSING, quick) * before >= 0


@given(before=st.floats(0, 3000), target=ANY, dt_s=STEPS, quick=st.booleans())
def test_a_coasting_wheel_is_never_asked_to_brake(before: float, target: float, dt_s: float, quick: bool) -> None:
    """A wheel without a brake is never asked to fall faster than it coasts."""
    coasted = max((before + 60.0) * math.exp(-counted(dt_s) / 2.0) - 60.0, 0.0)
    assert limited(before, target, dt_s, COASTING, quick) >= min(coasted, before) - ROUNDING


@given(before=st.floats(0, 6000), target=st.floats(0, 6000), dt_s=st.floats(0.001, 0.1), quick=st.booleans())
def test_a_step_goes_towards_its_target_and_not_past_it(before: float, target: float, dt_s: float, quick: bool) -> None:
    """Between ordinary values a step ends between where it began and the target, nearer to it if there was a way."""
    then = limited(before, target, dt_s, BRAKED, quick)
    assert min(before, target) - ROUNDING <= then <= max(before, target) + ROUNDING
    assert before == target or abs(then - target) < abs(before - target)


def limiter() -> RampLimiter:
    return RampLimiter({"top": BRAKED, "bottom": COASTING, "tilt": ANGLE})


def test_it_begins_at_rest_with_angles_at_their_lower_stop() -> None:
    """Before anything is known wheels count as standing and angles as at their lower stop."""
    assert limiter().values == {"top": 0.0, "bottom": 0.0, "tilt": -30.0}


def test_a_seed_is_where_it_goes_on_from() -> None:
    """Seeded values are taken within the range; what is no number, or no axis, is passed over."""
    ramp = limiter()
    ramp.seed({"top": 1234.0, "bottom": math.nan, "tilt": 99.0, "pan": 5.0})
    assert ramp.values == {"top": 1234.0, "bottom": 0.0, "tilt": 60.0}
    assert ramp.step(50.0, {})["top"] == 1234.0


def test_an_axis_without_a_target_is_held() -> None:
    """None, or no word of an axis, holds it where it is."""
    ramp = limiter()
    ramp.seed({"top": 1000.0})
    assert ramp.step(1.0, {"top": None})["top"] == ramp.step(1.02, {})["top"] == 1000.0


def test_the_output_of_the_last_second_is_kept_by_its_moment() -> None:
    """`value_at` gives the output in force at a moment: the newest not after it, the oldest kept before all."""
    ramp = limiter()
    for tick in range(70):
        ramp.step(10.0 + tick * TICK_S, {"top": 6000.0})
    assert ramp.value_at(11.0 + 0.001)["top"] == pytest.approx(80.0 * 51)
    assert ramp.value_at(11.0 + 0.019)["top"] == pytest.approx(80.0 * 51)
    assert ramp.value_at(99.0) == ramp.values
    assert ramp.value_at(0.0)["top"] == pytest.approx(80.0 * 20, abs=81.0)


def test_a_new_epoch_goes_on_from_what_is_in_force() -> None:
    """After `restart` the first step is one tick from the value in force now, and what was planned ahead is gone."""
    ramp = limiter()
    for tick in range(30):
        ramp.step(10.0 + tick * TICK_S, {"top": 6000.0})
    ramp.restart(10.3, 10.4)
    in_force = 80.0 * 16
    assert ramp.values["top"] == pytest.approx(in_force)
    assert ramp.step(10.4, {"top": 0.0})["top"] == pytest.approx(in_force - 5000.0 * TICK_S)
    assert ramp.value_at(10.39)["top"] == pytest.approx(in_force)


@given(
    st.lists(
        st.tuples(st.sampled_from(["step", "restart", "seed"]), ANY, STEPS, st.booleans()),
        max_size=60,
    )
)
def test_a_limiter_never_steps_whatever_is_done_with_it(story: list[tuple[str, float, float, bool]]) -> None:
    """Through late, doubled and backward steps and new epochs no output moves by more than rate x longest step."""
    ramp, at_s = limiter(), 100.0
    for what, value, dt_s, quick in story:
        before = dict(ramp.values)
        if what == "seed":
            ramp.seed({"top": value})
            continue
        if what == "restart":
            ramp.restart(at_s, at_s + 0.1)
            before = dict(ramp.values)
        at_s = at_s + dt_s if math.isfinite(dt_s) else at_s
        then = ramp.step(at_s, {"top": value, "bottom": value, "tilt": value}, quick)
        for axis, rule in (("top", BRAKED), ("bottom", COASTING), ("tilt", ANGLE)):
            assert rule.low <= then[axis] <= rule.high
            most = max(rule.up, 8000.0 if axis != "tilt" else rule.down) * LONGEST_STEP_S
            assert abs(then[axis] - before[axis]) <= most + ROUNDING
