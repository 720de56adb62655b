"""Every rule of chance against the distribution it should have, by Pearson's chi-square test (scipy.stats.chisquare).

A right rule fails a test of level 1e-4 once in ten thousand sets of seeds; the seeds here are fixed, so none flickers.
Each expected distribution is worked out in the test in another way than the code draws.
"""

from collections import Counter
from itertools import islice, pairwise, permutations
from typing import Any

import numpy as np
import pytest
from pydantic import TypeAdapter
from scipy.stats import chisquare

from drillfeed.daemon.drills.drill import Variation
from drillfeed.daemon.drills.sequences import Sequence
from drillfeed.daemon.library.loading import load_balls, load_drill, load_machine
from drillfeed.daemon.planning.plan import plan_drill

BALLS = load_balls()
LEVEL = 1e-4
A, B, C = "no-spin-steady", "light-push", "heavy-push"
READ: TypeAdapter[Any] = TypeAdapter(Sequence)


def drawn(form: dict[str, Any], balls: int, seed: int) -> tuple[str, ...]:
    order = READ.validate_python(form)
    draw = order.draw(BALLS, np.random.default_rng(seed))
    return tuple(item.mention for item in islice(draw, balls))


def fits(seen: "Counter[Any]", expected: dict[Any, float]) -> None:
    """Assert that counts fit a distribution, and that nothing came that has no chance."""
    total = sum(seen.values())
    assert set(seen) <= set(expected)
    assert sum(expected.values()) == pytest.approx(1.0)
    keys = [key for key, share in expected.items() if share]
    assert chisquare([seen[key] for key in keys], [expected[key] * total for key in keys]).pvalue > LEVEL


def test_the_first_ball_by_weight() -> None:
    """Drawn freely, the first ball has the share of its weight: the definition of a weight."""
    form = {"kind": "random", "weights": {A: 1, B: 2, C: 5}, "first": "drawn"}
    fits(Counter(drawn(form, 1, seed)[0] for seed in range(4000)), {A: 1 / 8, B: 2 / 8, C: 5 / 8})


def test_later_balls_by_weight_without_memory() -> None:
    """Without rules each ball is independent of the one before: pairs have the product of the shares."""
    form = {"kind": "random", "weights": {A: 1, B: 2, C: 5}}
    share = {A: 1 / 8, B: 2 / 8, C: 5 / 8}
    seen = Counter(drawn(form, 41, seed)[k : k + 2] for seed in range(300) for k in range(1, 40, 2))
    fits(seen, {(x, y): share[x] * share[y] for x in share for y in share})


def test_after_a_full_run_the_others_share_by_weight() -> None:
    """After two alike the third is one of the others, in proportion to their weights: 2 to 5 after two of A."""
    form = {"kind": "random", "weights": {A: 1, B: 2, C: 5}, "max_alike": 2}
    seen: Counter[str] = Counter()
    for seed in range(400):
        thrown = drawn(form, 60, seed)
        seen.update(thrown[k + 2] for k in range(58) if thrown[k] == thrown[k + 1] == A)
    fits(seen, {B: 2 / 7, C: 5 / 7})


def test_barred_pairs_leave_the_rest_by_weight() -> None:
    """After A, where C is barred, A and B come as 1 to 2."""
    form = {"kind": "random", "weights": {A: 1, B: 2, C: 5}, "never": [[A, C]]}
    seen: Counter[str] = Counter()
    for seed in range(300):
        thrown = drawn(form, 60, seed)
        seen.update(after for before, after in pairwise(thrown) if before == A)
    fits(seen, {A: 1 / 3, B: 2 / 3, C: 0.0})


def test_a_follower_keeps_its_share_and_the_rest_goes_by_weight() -> None:
    """After B, 70 % C; the other 30 % go to A and B by their weights, 1 to 2."""
    form = {"kind": "random", "weights": {A: 1, B: 2, C: 1}, "after": {B: {C: 0.7}}}
    seen: Counter[str] = Counter()
    for seed in range(300):
        thrown = drawn(form, 60, seed)
        seen.update(after for before, after in pairwise(thrown) if before == B)
    fits(seen, {A: 0.1, B: 0.2, C: 0.7})


def test_long_run_shares_of_a_chain() -> None:
    """Far into a set the balls have the stationary shares of the chain, the left eigenvector of its matrix.

    Rows by hand: after A by weight; after B without A, 1 to 2; after C 60 % A and the rest 1 to 2.
    """
    form = {"kind": "random", "weights": {A: 1, B: 1, C: 2}, "never": [[B, A]], "after": {C: {A: 0.6}}}
    matrix = np.array([[0.25, 0.25, 0.5], [0.0, 1 / 3, 2 / 3], [0.6, 0.4 / 3, 0.8 / 3]])
    values, vectors = np.linalg.eig(matrix.T)
    stationary = np.real(vectors[:, np.argmax(np.real(values))])
    shares = stationary / stationary.sum()
    seen = Counter(drawn(form, 40, seed)[-1] for seed in range(4000))
    fits(seen, dict(zip((A, B, C), map(float, shares), strict=True)))


def test_a_quota_without_run_limit_is_every_order_alike() -> None:
    """2 x A, 1 x B, 1 x C has 4!/2! = 12 orders, each with a twelfth (multiset permutations)."""
    form = {"kind": "quota", "quota": {A: 2, B: 1, C: 1}, "first": "drawn"}
    orders = set(permutations((A, A, B, C)))
    assert len(orders) == 12
    fits(Counter(drawn(form, 4, seed) for seed in range(4000)), dict.fromkeys(orders, 1 / 12))


def quota_tree(counts: dict[str, int], max_alike: int) -> dict[tuple[str, ...], float]:
    """Work out every order's chance by walking the tree: in proportion to what is left, dead ends left out."""

    def alive(thrown: tuple[str, ...], left: dict[str, int]) -> bool:
        if not any(left.values()):
            return True
        return any(alive((*thrown, name), less) for name, less in steps(thrown, left))

    def steps(thrown: tuple[str, ...], left: dict[str, int]) -> list[tuple[str, dict[str, int]]]:
        return [
            (name, {**left, name: n - 1})
            for name, n in left.items()
            if n and thrown[-max_alike:] != (name,) * max_alike
        ]

    def walk(thrown: tuple[str, ...], left: dict[str, int], chance: float) -> None:
        if not any(left.values()):
            found[thrown] = chance
            return
        ways = [(name, less) for name, less in steps(thrown, left) if alive((*thrown, name), less)]
        total = sum(left[name] for name, _ in ways)
        for name, less in ways:
            walk((*thrown, name), less, chance * left[name] / total)

    found: dict[tuple[str, ...], float] = {}
    walk((), counts, 1.0)
    return found


@pytest.mark.parametrize(("counts", "max_alike"), [({A: 4, B: 2}, 2), ({A: 3, B: 2, C: 1}, 1), ({A: 4, B: 2, C: 1}, 2)])
def test_a_quota_with_a_run_limit_follows_its_tree(counts: dict[str, int], max_alike: int) -> None:
    """Each order has the chance that drawing by what is left gives it, dead ends left out: the whole tree, walked."""
    form = {"kind": "quota", "quota": counts, "max_alike": max_alike, "first": "drawn"}
    n = sum(counts.values())
    fits(Counter(drawn(form, n, seed) for seed in range(4000)), quota_tree(counts, max_alike))


def test_choices_of_a_scenario_by_weight() -> None:
    """One of three rows, weights 1, 1 and 2, each time anew: pairs of choices have the product of the shares."""
    form = {"kind": "scenario", "parts": [{"one_of": [[A], [B], [C]], "weights": [1, 1, 2]}]}
    share = {A: 0.25, B: 0.25, C: 0.5}
    seen = Counter(drawn(form, 2, seed) for seed in range(4000))
    fits(seen, {(x, y): share[x] * share[y] for x in share for y in share})


def test_lengths_of_bursts_are_even() -> None:
    """Bursts of three to four: the first burst has three balls as often as four."""
    drill, machine = load_drill("small-surprises").model_copy(update={"vary": Variation()}), load_machine("club-build")
    seen: Counter[int] = Counter()
    for seed in range(300):
        balls = plan_drill(drill, BALLS, machine, seed).sets[0].balls
        seen[next(k for k, ball in enumerate(balls) if k and ball.gap_s >= 6.0)] += 1
    fits(seen, {3: 0.5, 4: 0.5})


def test_variation_of_the_tempo_is_even() -> None:
    """Gaps at the tempo lie evenly between 95 and 105 % of the interval: ten parts of that span are alike."""
    drill, machine = load_drill("against-the-block"), load_machine("club-build")
    seen: Counter[int] = Counter()
    for seed in range(150):
        planned_set = plan_drill(drill, BALLS, machine, seed).sets[0]
        seen.update(int((ball.gap_s / planned_set.interval_s - 0.95) * 100) for ball in planned_set.balls)
    fits(seen, dict.fromkeys(range(10), 0.1))


def test_variation_of_speed_takes_its_steps_alike() -> None:
    """Slower, as written, faster: a third each, but for the first ball of a set, which is thrown as written."""
    drill, machine = load_drill("against-the-block"), load_machine("club-build")
    seen: Counter[float] = Counter()
    for seed in range(150):
        balls = plan_drill(drill, BALLS, machine, seed).sets[0].balls
        assert balls[0].speed_mps == BALLS["flat-block"].speed_mps
        seen.update(ball.speed_mps for ball in balls[1:])
    fits(seen, dict.fromkeys((7.7, 8.0, 8.3), 1 / 3))
