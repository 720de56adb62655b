"""Orders without chance, what may follow what, and where a set begins."""

from collections.abc import Iterable
from itertools import islice, pairwise
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from pydantic import TypeAdapter

from drillfeed.daemon.drills.drawing import Drawn, Follow
from drillfeed.daemon.drills.sequences import Sequence
from drillfeed.daemon.library.loading import load_balls

BALLS = load_balls()
TOPSPIN, PUSH, HEAVY, FLAT, PLAIN = "light-topspin", "light-push", "heavy-push", "flat-block", "no-spin-steady"
READ: TypeAdapter[Any] = TypeAdapter(Sequence)


def drawn(order: Any, balls: int, seed: int = 0) -> list[Drawn]:
    return list(islice(order.draw(BALLS, np.random.default_rng(seed)), balls))


def names(order: Any, balls: int, seed: int = 0) -> list[str]:
    return [item.mention for item in drawn(order, balls, seed)]


def follows(order: Any, balls: int) -> frozenset[Follow]:
    return order.follows(balls, BALLS)


def fixed(*balls: str, first: str = "written") -> Any:
    return READ.validate_python({"kind": "fixed", "balls": balls, "first": first})


def scenario(*parts: Any) -> Any:
    return READ.validate_python({"kind": "scenario", "parts": parts})


def test_fixed_order_is_thrown_as_written_again_and_again() -> None:
    """The balls come as written, and from the beginning when all are thrown."""
    assert names(fixed(TOPSPIN, PUSH, HEAVY), 7) == [TOPSPIN, PUSH, HEAVY, TOPSPIN, PUSH, HEAVY, TOPSPIN]


def test_fixed_order_may_begin_at_its_easiest_ball() -> None:
    """The round is kept and begins where its easiest ball stands."""
    assert names(fixed(HEAVY, FLAT, PLAIN, first="easiest"), 4) == [PLAIN, HEAVY, FLAT, PLAIN]


def test_rotating_order_begins_one_further_each_time() -> None:
    """A B C is followed by B C A and by C A B, and then by the first round again."""
    order = READ.validate_python({"kind": "rotating", "balls": [TOPSPIN, PUSH, HEAVY]})
    first = [TOPSPIN, PUSH, HEAVY, PUSH, HEAVY, TOPSPIN, HEAVY, TOPSPIN, PUSH]
    assert names(order, 12) == [*first, TOPSPIN, PUSH, HEAVY]


def test_waits_of_a_scenario_stand_before_the_next_ball() -> None:
    """Short, then long, then six seconds: the wait is before the next short ball, and none before the very first."""
    order = scenario({"wait_s": 2}, TOPSPIN, PUSH, {"wait_s": 4})
    assert drawn(order, 4) == [Drawn(TOPSPIN, 2.0), Drawn(PUSH), Drawn(TOPSPIN, 6.0), Drawn(PUSH)]
    assert follows(order, 4) == {Follow(TOPSPIN, PUSH, 0.0), Follow(PUSH, TOPSPIN, 6.0)}


def test_repetitions_nest() -> None:
    """Parts inside parts are played as often as they say."""
    order = scenario({"times": 2, "parts": [PLAIN, {"times": 2, "parts": [PUSH]}]}, FLAT)
    assert names(order, 7) == [PLAIN, PUSH, PUSH, PLAIN, PUSH, PUSH, FLAT]


def test_pairs_of_a_short_set_end_where_the_set_ends() -> None:
    """A set of one round never goes from the last ball of the round to its first."""
    assert follows(scenario(TOPSPIN, PUSH), 2) == {Follow(TOPSPIN, PUSH, 0.0)}
    assert follows(fixed(TOPSPIN, PUSH), 2) == {Follow(TOPSPIN, PUSH, 0.0)}
    assert follows(fixed(TOPSPIN, PUSH), 3) == {Follow(TOPSPIN, PUSH, 0.0), Follow(PUSH, TOPSPIN, 0.0)}


@pytest.mark.parametrize("kind", ["random", "quota", "fixed", "rotating", "scenario"])
def test_a_set_of_one_ball_has_no_pairs(kind: str) -> None:
    """Nothing follows the only ball."""
    rest: dict[str, Any] = {
        "random": {"weights": {PUSH: 1}},
        "quota": {"quota": {PUSH: 1}},
        "scenario": {"parts": [PUSH]},
    }.get(kind, {"balls": [PUSH]})
    assert follows(READ.validate_python({"kind": kind, **rest}), 1) == frozenset()


def with_ball(parts: list[Any]) -> list[Any]:
    return [*parts, PUSH]


MENTIONS = st.sampled_from([TOPSPIN, PUSH, HEAVY, FLAT])
PARTS = st.recursive(
    st.one_of(MENTIONS, st.builds(dict, wait_s=st.sampled_from([1.0, 2.5]))),
    lambda part: st.one_of(
        st.builds(dict, times=st.integers(1, 3), parts=st.lists(part, min_size=1, max_size=3).map(with_ball)),
        st.builds(dict, one_of=st.lists(st.lists(part, min_size=1, max_size=2).map(with_ball), min_size=2, max_size=3)),
    ),
    max_leaves=8,
)


ORDER_FORMS = st.one_of(
    st.builds(dict, kind=st.just("fixed"), balls=st.lists(MENTIONS, min_size=1, max_size=6)),
    st.builds(dict, kind=st.just("rotating"), balls=st.lists(MENTIONS, min_size=1, max_size=5)),
    st.builds(dict, kind=st.just("scenario"), parts=st.lists(PARTS, min_size=1, max_size=4).map(with_ball)),
    st.builds(
        dict,
        kind=st.just("random"),
        weights=st.dictionaries(MENTIONS, st.sampled_from([0.5, 1.0, 3.0]), min_size=2),
        max_alike=st.integers(1, 3),
        first=st.sampled_from(["easiest", "drawn"]),
    ),
    st.builds(
        dict,
        kind=st.just("quota"),
        quota=st.dictionaries(MENTIONS, st.integers(1, 6), min_size=1),
        max_alike=st.integers(1, 4),
        first=st.sampled_from(["easiest", "drawn"]),
    ),
)


def pairs_of(balls: Iterable[Drawn]) -> set[Follow]:
    return {Follow(a.mention, b.mention, b.wait_s) for a, b in pairwise(balls)}


@settings(deadline=None, max_examples=300)
@given(ORDER_FORMS, st.integers(1, 60), st.integers(0, 2**32 - 1))
def test_no_draw_holds_a_pair_that_was_not_foreseen(form: dict[str, Any], balls: int, seed: int) -> None:
    """Whatever is drawn, each pair and its wait stands among those the order said beforehand."""
    order = READ.validate_python(form)
    if form["kind"] == "quota":
        balls = order.balls
    if not order.faults(balls, BALLS):
        found = drawn(order, balls, seed)
        assert len(found) == balls
        assert pairs_of(found) <= follows(order, balls)
        assert {item.mention for item in found} <= set(order.names())


@settings(deadline=None, max_examples=100)
@given(ORDER_FORMS, st.integers(0, 2**32 - 1))
def test_the_same_seed_draws_the_same_balls(form: dict[str, Any], seed: int) -> None:
    """A draw depends on its seed and on nothing else."""
    order = READ.validate_python(form)
    balls = order.balls if form["kind"] == "quota" else 40
    if not order.faults(balls, BALLS):
        assert drawn(order, balls, seed) == drawn(order, balls, seed)


def test_every_foreseen_pair_of_a_scenario_really_comes() -> None:
    """The pairs of a scenario are no wider than what it can throw."""
    order = scenario(TOPSPIN, {"one_of": [[PUSH], [HEAVY, {"wait_s": 3}, FLAT]]}, {"wait_s": 5})
    seen = set().union(*(pairs_of(drawn(order, 9, seed)) for seed in range(40)))
    assert seen == follows(order, 9)


@pytest.mark.parametrize(
    ("form", "says"),
    [
        ({"kind": "scenario", "parts": [{"wait_s": 3}]}, "a ball in every repetition"),
        ({"kind": "scenario", "parts": [PUSH, {"times": 2, "parts": [{"wait_s": 1}]}]}, "a ball in every repetition"),
        ({"kind": "scenario", "parts": [{"one_of": [[PUSH], [{"wait_s": 1}]]}]}, "a ball in every repetition"),
        (
            {"kind": "scenario", "parts": [{"one_of": [[PUSH], [FLAT]], "weights": [1]}]},
            "as many weights as choices, 2",
        ),
        ({"kind": "random", "weights": {PUSH: 1}, "never": [[PUSH, FLAT]]}, "only balls that have a weight in `never`"),
        ({"kind": "random", "weights": {PUSH: 1}, "after": {PUSH: {FLAT: 0.5}}}, "have a weight in `after`"),
        (
            {"kind": "random", "weights": {PUSH: 1, FLAT: 1}, "after": {PUSH: {FLAT: 0.7, PUSH: 0.4}}},
            "1 or less together; these make 1.1",
        ),
        (
            {
                "kind": "random",
                "weights": {PUSH: 1, FLAT: 1},
                "never": [[PUSH, FLAT]],
                "after": {PUSH: {FLAT: 0.7}},
            },
            "not in both",
        ),
        ({"kind": "fixed", "balls": ["light-push to left"]}, "BALL to SIDE with a side of wide-forehand"),
    ],
)
def test_a_form_that_says_nothing_possible_is_refused_with_the_reason(form: dict[str, Any], says: str) -> None:
    """A mistake in an order is named when it is read."""
    with pytest.raises(ValueError, match="validation error") as caught:
        READ.validate_python(form)
    assert says in str(caught.value)


@pytest.mark.parametrize(
    ("form", "says"),
    [
        ({"weights": {PUSH: 1}, "max_alike": 3}, "after 3 x light-push no ball is left"),
        (
            {"weights": {PUSH: 1, FLAT: 1}, "max_alike": 1, "never": [[PUSH, FLAT]]},
            "after 1 x light-push no ball is left",
        ),
        (
            {"weights": {PUSH: 1, FLAT: 1}, "never": [[PUSH, PUSH]], "after": {PUSH: {FLAT: 0.7}}},
            "the shares after light-push make 70% and no other ball may take the rest",
        ),
    ],
)
def test_rules_that_leave_no_ball_are_refused_before_the_draw(form: dict[str, Any], says: str) -> None:
    """A random order that would run into a dead end says where."""
    order = READ.validate_python({"kind": "random", **form})
    assert says in "; ".join(order.faults(20, BALLS))
