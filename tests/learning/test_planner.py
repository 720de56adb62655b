"""What a session is made of: the scores, the bounds, the reasons, and three thousand drawn sessions."""

import dataclasses

import pytest
from scipy.special import logit

from drillfeed.daemon.learning.model import Estimate
from drillfeed.daemon.learning.plan_sentences import plan_lines
from drillfeed.daemon.learning.planner import (
    CheckSet,
    Pace,
    Plan,
    PlannedSet,
    TooShort,
    Wanted,
    plan_session,
    random_share,
)
from drillfeed.daemon.learning.scores import Standing, by_score
from tests.learning.sessions import judge

COUNTDOWN_S = 10.0


def standing(ball: str, share: float, sd: float, days: float | None, **more: object) -> Standing:
    return Standing(Estimate(ball, float(logit(share)), sd), 0 if days is None else 200, days, share, **more)  # type: ignore[arg-type]


FOUR = (
    standing("rally-topspin", 0.82, 0.20, 2),
    standing("heavy-push", 0.58, 0.25, 3),
    standing("short-backspin-serve", 0.30, 0.25, 5, gentler="light-push"),
    standing("flat-block", 0.74, 0.45, 31),
)
EASY = standing("no-spin-steady", 0.93, 0.2, 1)


def at_tempo(part: PlannedSet) -> Pace:
    """Return the pace of a thrower that holds every tempo."""
    return Pace(60 / part.tempo_per_min, COUNTDOWN_S)


def session(minutes: float, balls: int, *standings: Standing, **more: object) -> Plan:
    wanted = Wanted(minutes, (("the balls you gave", balls),), **more)  # type: ignore[arg-type]
    return plan_session(wanted, standings or (*FOUR, EASY), at_tempo)


def test_scores_have_their_worked_values() -> None:
    """Four balls, and the order in which they need practice."""
    assert [one.score for one in FOUR] == pytest.approx([0.108, 0.628, 0.646, 0.645], abs=1e-3)
    assert [one.ball for one in by_score(FOUR)] == [
        "short-backspin-serve",
        "flat-block",
        "heavy-push",
        "rally-topspin",
    ]
    assert [one.ball for one in FOUR if one.too_hard] == ["short-backspin-serve"]
    assert FOUR[2].estimate.outer.high == pytest.approx(0.393, abs=1e-3)


def test_weight_of_the_coach_counts() -> None:
    """Twice the weight is twice the score; weight 0 leaves a ball out."""
    twice = dataclasses.replace(FOUR[1], weight=2.0)
    assert twice.score == pytest.approx(2 * FOUR[1].score)
    assert by_score((dataclasses.replace(FOUR[1], weight=0.0), FOUR[0])) == (FOUR[0],)


def test_never_thrown_is_as_stale_as_can_be() -> None:
    """Half after three weeks, near 1 after a year, 1 if never."""
    assert standing("a", 0.7, 0.3, 21).stale == pytest.approx(0.5)
    assert standing("a", 0.7, 0.3, 365).stale > 0.999
    assert standing("a", 0.7, 0.3, None).stale == 1.0


@pytest.mark.parametrize(
    ("share", "adult", "junior"), [(0.5, 1 / 3, 0.0), (0.7, 1 / 2, 1 / 3), (0.9, 2 / 3, 1 / 2), (1.0, 2 / 3, 1 / 2)]
)
def test_random_share_rises_with_what_is_made(share: float, adult: float, junior: float) -> None:
    """A third, a half, two thirds; juniors one step less."""
    assert (random_share(share, False), random_share(share, True)) == pytest.approx((adult, junior))


def test_session_begins_easy_and_ends_with_the_check() -> None:
    """Warm-up with a ball that is made, focus from fixed to random, the check set after a rest."""
    check = CheckSet(("heavy-push", "rally-topspin") * 10, 36, ("3 March",), due_first=False)
    plan = session(25, 200, check=check)
    assert plan.sets[0].kind == "warm-up" and plan.sets[-1].kind == "check"
    assert plan.sets[0].types == ("no-spin-steady",) and plan.sets[0].rest_before_s == 0
    assert plan.sets[-1].rest_before_s == 45 and plan.sets[-1].written == check.balls
    orders = [part.order for part in plan.sets if part.kind == "focus"]
    assert orders == sorted(orders, key=("fixed", "rotating", "random").index)
    assert {"fixed", "random"} <= set(orders)
    first = session(25, 200, check=dataclasses.replace(check, due_first=True))
    assert [part.kind for part in first.sets][:2] == ["warm-up", "check"]


def test_ball_that_is_too_hard_gives_way_to_a_gentler_one() -> None:
    """Light push is trained in the place of the short serve, and the reason says so."""
    light = standing("light-push", 0.8, 0.3, 4)
    plan = session(20, 150, *FOUR, light, EASY)
    assert [one.ball for one in plan.focus] == ["light-push", "flat-block"]
    lines = plan_lines(plan, (*FOUR, light, EASY))
    assert any(
        line.startswith("light-push in place of short-backspin-serve, of which 30 % (22 to 39") for line in lines
    )


def test_each_part_has_one_sentence_with_its_figures() -> None:
    """Not thrown for long, the lowest, never marked, the check set; the sum says about."""
    new = standing("deep-chop", 0.69, 1.3, None)
    check = CheckSet(("heavy-push",) * 20, 36, ("3 March", "10 March", "17 March"))
    plan = session(60, 400, FOUR[1], FOUR[3], new, EASY, check=check)
    text = "\n".join(plan_lines(plan, (FOUR[1], FOUR[3], new, EASY)))
    assert "flat-block: not thrown for 31 days; 74 % then, today anything from 58 to 86 %, 200 marked" in text
    assert "heavy-push: 58 % (48 to 68, 200 marked), the lowest of what you train" in text
    assert "deep-chop: never marked so far, so anything from 21 to 95 %" in text
    assert "check set: the same 20 balls as on 3 March, 10 March and 17 March" in text
    assert "400 balls in about 31 minutes, rests of about 45 s\nbound by the balls you gave: 400 balls" in text
    assert len(plan.focus) == 3


@pytest.mark.parametrize(("minutes", "balls"), [(1, 300), (30, 12)])
def test_too_little_is_refused_with_the_least(minutes: float, balls: int) -> None:
    """A warm-up and eight balls must fit."""
    with pytest.raises(TooShort, match="the shortest session has 18 balls and takes"):
        session(minutes, balls)


def test_nobody_knows_a_ball_type() -> None:
    """A machine without a ball for this player is a mistake of the caller."""
    with pytest.raises(ValueError, match="no ball type"):
        plan_session(Wanted(20, (("balls", 100),)), (), at_tempo)


def test_new_player_gets_a_session_of_what_is_easiest() -> None:
    """Without a mark every type is as unknown as the next: warm-up with the easiest one."""
    new = tuple(standing(f"ball-{ease}", 0.69, 1.28, None, ease=ease) for ease in range(3))
    plan = session(20, 150, *new)
    assert plan.warm_up.ball == "ball-0"
    assert len(plan.focus) == 2


def test_drawn_sessions_fit_or_name_their_bound() -> None:
    """Any request: see `judge`; `python -m tests.learning.sessions` draws 3,000."""
    found = judge(400)
    assert found.near >= 0.99 * found.unbound
    assert found.planned > 350


def test_bound_that_stops_a_plan_is_named() -> None:
    """The balls, or the longest set of the level."""
    assert session(60, 100).stopped_by == ("the balls you gave: 100 balls",)
    short = session(60, 1000, max_set_balls=20)
    assert short.total_s > 0.95 * 3600
