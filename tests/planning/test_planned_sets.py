"""Sets on the clock before anything moves: tempo, stretch, waits, bursts, variation, re-phasing."""

from itertools import pairwise
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from drillfeed.daemon.drills.drill import Drill, read_drill
from drillfeed.daemon.library.loading import load_balls, load_drill, load_machine
from drillfeed.daemon.machine import Machine
from drillfeed.daemon.planning.plan import DrillPlan, SetPlan, plan_drill, set_rng
from drillfeed.daemon.planning.setting import NotPossible
from drillfeed.daemon.planning.transition import transition

BALLS = load_balls()
CLUB, KIT, PAN = (load_machine(name) for name in ("club-build", "kit-build", "hall-pan"))
MIX = {"kind": "random", "weights": {"rally-topspin": 1, "heavy-push": 1, "light-topspin": 1}}


def drill_of(order: dict[str, Any], balls: int = 20, tempo: float = 36, sets: int = 1, **more: Any) -> Drill:
    set_keys = {key: more.pop(key) for key in ("bursts", "vary", "rest_s") if key in more}
    part = {"balls": balls, "sequence": order, **set_keys}
    head = {"name": "a-drill", "title": "a drill", "level": "club", "tempo_per_min": tempo, "max_balls": 1200}
    return read_drill({**head, **more, "set": [part] * sets}, "a test")


def first_set(drill: Drill, machine: Machine = CLUB, seed: int = 1) -> SetPlan:
    return plan_drill(drill, BALLS, machine, seed).sets[0]


def needed_s(machine: Machine, before: str, after: str, spread_s: float) -> float:
    """Return the least gap between two balls, put together from its parts."""
    settings_ = {
        ball.ball: ball.setting
        for ball in first_set(drill_of({"kind": "fixed", "balls": [before, after]}, 2, 20), machine).balls
    }
    seconds = transition(machine, settings_[before], settings_[after]).seconds
    return machine.feeder.latency_s + spread_s + seconds


def test_a_tempo_that_is_possible_is_kept() -> None:
    """Nothing is stretched: each gap is 60 s over the tempo."""
    planned_set = first_set(drill_of(MIX))
    assert planned_set.stretch is None
    assert {ball.gap_s for ball in planned_set.balls} == {60 / 36}


def test_a_stretched_set_runs_at_what_its_worst_pair_allows() -> None:
    """The interval is the least gap of the worst pair that is allowed; the text names it and what would lift it."""
    planned_set = first_set(drill_of(MIX, tempo=85))
    pairs = [(a, b) for a in MIX["weights"] for b in MIX["weights"]]  # type: ignore[attr-defined]
    worst = max(pairs, key=lambda pair: needed_s(CLUB, *pair, planned_set.spread_s))
    assert planned_set.interval_s == pytest.approx(needed_s(CLUB, *worst, planned_set.spread_s))
    assert planned_set.stretch is not None and planned_set.stretch.pair == worst
    assert planned_set.stretch.text.startswith("85/min is not possible for this mix on this machine; running at ")
    assert f"({worst[1]} after {worst[0]})" in planned_set.stretch.text
    assert f'a rule never = [["{worst[0]}", "{worst[1]}"]] would lift it to ' in planned_set.stretch.text
    lifted = first_set(drill_of({**MIX, "never": [list(worst)]}, tempo=85))
    assert f"would lift it to {60 / lifted.interval_s:.1f}/min" in planned_set.stretch.text


def test_a_feeder_that_is_too_slow_is_named() -> None:
    """Where no axis is to blame the reason is the feeder."""
    planned_set = first_set(drill_of({"kind": "fixed", "balls": ["no-spin-steady"]}, tempo=80), KIT)
    assert planned_set.stretch is not None
    assert planned_set.stretch.reason == "the feeder makes 55/min at most"


def test_a_set_slower_than_the_feeder_can_go_is_refused() -> None:
    """The crank makes 20 a minute at least: a set at 15 says so, with what to do."""
    with pytest.raises(NotPossible, match=r"set 1 would run at 15.0/min; this feeder makes 20 to 55/min"):
        first_set(drill_of({"kind": "fixed", "balls": ["no-spin-steady"]}, tempo=15), KIT)


ORDERS = st.sampled_from(
    [
        MIX,
        {**MIX, "max_alike": 1},
        {"kind": "quota", "quota": {"rally-topspin": 8, "heavy-push": 12}, "max_alike": 3},
        {
            "kind": "scenario",
            "parts": ["light-topspin", {"one_of": [["rally-topspin"], ["heavy-push"]]}, {"wait_s": 4}],
        },
    ]
)


@settings(deadline=None, max_examples=60)
@given(ORDERS, st.integers(0, 2**32 - 1), st.integers(0, 2**32 - 1), st.sampled_from([30.0, 60.0, 90.0]))
def test_the_tempo_is_the_same_for_every_seed(order: dict[str, Any], first: int, two: int, tempo: float) -> None:
    """Interval, stretch and least gaps do not depend on what was drawn; the balls do."""
    a, b = (first_set(drill_of(order, tempo=tempo), seed=seed) for seed in (first, two))
    assert (a.interval_s, a.stretch, a.min_gap_s) == (b.interval_s, b.stretch, b.min_gap_s)


@settings(deadline=None, max_examples=40)
@given(ORDERS, st.integers(0, 2**32 - 1), st.floats(0, 0.2), st.floats(0, 0.5))
def test_no_ball_comes_before_the_machine_can_be_there(
    order: dict[str, Any], seed: int, share: float, speed_mps: float
) -> None:
    """With tempo and speed varied, each gap still holds the change from the one setting to the other."""
    planned_set = first_set(drill_of(order, tempo=90, vary={"tempo_share": share, "speed_mps": speed_mps}), seed=seed)
    for before, after in pairwise(planned_set.balls):
        seconds = transition(CLUB, before.setting, after.setting).seconds
        assert after.gap_s >= CLUB.feeder.latency_s + planned_set.spread_s + seconds - 1e-9
        assert after.gap_s >= CLUB.feeder.cycle_s + CLUB.feeder.spread_s - 1e-9
        assert (
            planned_set.min_gap_s[before.key, after.key]
            >= CLUB.feeder.latency_s + planned_set.spread_s + seconds - 1e-9
        )


def test_a_wait_does_not_slow_the_tempo() -> None:
    """A pair that only ever meets over six seconds decides nothing: short, then long, then 6 s."""
    order = {"kind": "scenario", "parts": ["short-backspin-serve", "light-push", {"wait_s": 6}]}
    planned_set = first_set(drill_of(order, balls=6, tempo=40))
    assert planned_set.stretch is None
    assert [round(ball.gap_s, 3) for ball in planned_set.balls[1:]] == [1.5, 6.0, 1.5, 6.0, 1.5]


def test_a_wait_too_short_for_its_balls_is_as_long_as_they_need() -> None:
    """A wait is never shorter than the worst change over it, whichever ball was drawn."""
    order = {"kind": "scenario", "parts": ["rally-topspin", {"wait_s": 0.5}, "heavy-push", {"wait_s": 0.5}]}
    planned_set = first_set(drill_of(order, balls=4, tempo=40))
    worst = max(
        needed_s(CLUB, a, b, planned_set.spread_s)
        for a, b in pairwise(["rally-topspin", "heavy-push", "rally-topspin"])
    )
    assert [ball.gap_s for ball in planned_set.balls[1:]] == [pytest.approx(worst)] * 3


@settings(deadline=None, max_examples=40)
@given(st.integers(0, 2**32 - 1), st.integers(2, 4), st.integers(0, 2))
def test_bursts_are_of_their_length_and_pauses_as_long_as_written(seed: int, least: int, more: int) -> None:
    """Each burst but the last has from `least` to `most` balls at the tempo, and six seconds follow it."""
    bursts = {"min_balls": least, "max_balls": least + more, "pause_s": 6}
    planned_set = first_set(drill_of(MIX, balls=30, bursts=bursts), seed=seed)
    lengths, run = [], 0
    for k, ball in enumerate(planned_set.balls):
        if k and ball.gap_s == 6.0:
            lengths.append(run)
            run = 0
        elif k:
            assert ball.gap_s == planned_set.interval_s
        run += 1
    assert all(least <= length <= least + more for length in lengths) and lengths


def test_bursts_and_variation_leave_the_balls_alone() -> None:
    """The switches have chance of their own: with and without them the same balls come in the same order."""
    plain = [ball.ball for ball in first_set(drill_of(MIX)).balls]
    vary = {"tempo_share": 0.1, "speed_mps": 0.3, "depth_cm": 10}
    assert [ball.ball for ball in first_set(drill_of(MIX, vary=vary)).balls] == plain
    bursts = {"min_balls": 3, "max_balls": 4, "pause_s": 6}
    assert [ball.ball for ball in first_set(drill_of(MIX, bursts=bursts)).balls] == plain


def test_variation_stays_within_what_is_written() -> None:
    """Speeds lie within 0.3 m/s; balls given by depth get their tilt anew; the names stay."""
    planned_set = first_set(
        drill_of({"kind": "fixed", "balls": ["flat-block"]}, 60, vary={"speed_mps": 0.3, "depth_cm": 10})
    )
    assert {round(ball.speed_mps, 3) for ball in planned_set.balls} == {7.7, 8.0, 8.3}
    assert len({ball.setting.tilt_deg for ball in planned_set.balls}) == 9
    assert {ball.ball for ball in planned_set.balls} == {"flat-block"}


def test_what_cannot_be_varied_is_left_out_and_noted() -> None:
    """Near a limit the variation that passes it is left out, the ball itself is thrown, and a note says so."""
    found = plan_drill(
        drill_of({"kind": "fixed", "balls": ["gentle-flat"]}, 40, 30, vary={"speed_mps": 0.5}), BALLS, KIT, 1
    )
    assert found.notes == ("gentle-flat is varied less than written: 1 variations are past a limit here",)
    assert {ball.speed_mps for ball in found.sets[0].balls} == {8.5, 9.0}


def test_the_stretch_of_a_varied_tempo_says_so() -> None:
    """The interval leaves room for its own variation, and the reason tells it."""
    plain, varied = first_set(drill_of(MIX, tempo=85)), first_set(drill_of(MIX, tempo=85, vary={"tempo_share": 0.1}))
    assert varied.interval_s == pytest.approx(plain.interval_s / 0.9)
    assert varied.stretch is not None and "the time between balls varies by 10%" in varied.stretch.text


def kit_plan(sets: int, balls: int, turns: int = 0) -> DrillPlan:
    drill = drill_of({"kind": "fixed", "balls": ["no-spin-steady"]}, balls, 30, sets=sets)
    return plan_drill(drill, BALLS, KIT, 1, turns)


def test_a_crank_by_time_is_turned_to_its_mark_before_it_drifts_too_far() -> None:
    """A quarter of a turn at 0.2 % a turn is 125 turns: of sets of 50, the third begins at the mark."""
    found = kit_plan(4, 50)
    assert [(planned_set.turns_before, planned_set.crank_to_mark_before) for planned_set in found.sets] == [
        (0, False), (50, False), (0, True), (50, False),
    ]  # fmt: skip
    drift_s = 0.002 * KIT.feeder.cycle_s
    assert [planned_set.spread_s for planned_set in found.sets[:2]] == pytest.approx(
        [0.04 + 50 * drift_s, 0.04 + 100 * drift_s]
    )


def test_turns_made_before_count() -> None:
    """A crank that has turned 100 times already is turned to its mark before a first set of 50."""
    assert kit_plan(1, 50, turns=100).sets[0].crank_to_mark_before
    assert not kit_plan(1, 50, turns=75).sets[0].crank_to_mark_before


def test_without_a_crank_nothing_is_turned_to_a_mark() -> None:
    """An indexed feeder keeps its phase."""
    found = plan_drill(drill_of(MIX, 100, sets=5), BALLS, CLUB, 1)
    assert {(planned_set.turns_before, planned_set.crank_to_mark_before) for planned_set in found.sets} == {(0, False)}


def test_each_set_has_a_chance_of_its_own() -> None:
    """Shortening the first set leaves the balls of the second alone."""
    long, short = load_drill("mixed-spin"), load_drill("mixed-spin")
    cut = short.model_copy(update={"set": (short.set[0].model_copy(update={"balls": 5}), short.set[1])})
    a, b = (plan_drill(drill, BALLS, CLUB, 4) for drill in (long, cut))
    assert [ball.ball for ball in a.sets[1].balls] == [ball.ball for ball in b.sets[1].balls]
    assert set_rng(4, 1).random() != set_rng(4, 2).random()


def test_every_reason_is_told_at_once() -> None:
    """A drill that can't be thrown for two reasons names both."""
    order = {"kind": "random", "weights": {"rally-topspin": 1, "deep-chop": 1}, "max_alike": 2}
    with pytest.raises(NotPossible) as caught:
        plan_drill(drill_of(order), BALLS, KIT, 1)
    assert "rally-topspin: " in str(caught.value) and "deep-chop: " in str(caught.value)


def test_an_unknown_ball_is_named() -> None:
    """A ball type that nobody wrote is told by its name."""
    with pytest.raises(NotPossible, match="no ball type is called a-curve"):
        plan_drill(drill_of({"kind": "fixed", "balls": ["a-curve"]}), BALLS, CLUB, 1)
