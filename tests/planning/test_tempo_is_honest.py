"""What slow wheels do to a tempo is told: the pair that limits it, an order with fewer changes, a rise that is cut."""

import re
import tomllib
from itertools import pairwise

import pytest

from drillfeed.daemon.drills.drill import Drill, read_drill
from drillfeed.daemon.drills.players import Player
from drillfeed.daemon.drills.profiles import HOUSE_PROFILES
from drillfeed.daemon.library.loading import known, load_balls, load_drill, load_machine
from drillfeed.daemon.planning.plan import DrillPlan, plan_drill
from drillfeed.daemon.planning.setting import NotPossible
from drillfeed.daemon.validation import InvalidFile

BALLS = load_balls()
CLUB, KIT, SHED = (load_machine(name) for name in ("club-build", "kit-build", "shed-build"))
NAMES = tuple(known("drills"))
JUNIOR = Player(profile=HOUSE_PROFILES.of("junior"))


def drill_of(sequence: dict[str, object], tempo_per_min: float = 30, balls: int = 20, **more: object) -> Drill:
    """Return a drill of one set."""
    head = {"name": "d", "title": "d", "level": "club", "tempo_per_min": tempo_per_min}
    return read_drill({**head, "set": [{"balls": balls, "sequence": sequence, **more}]}, "d")


def gaps(plan: DrillPlan) -> list[float]:
    """Return the times before the balls of the first set, but the first."""
    return [ball.gap_s for ball in plan.sets[0].balls[1:]]


SLOW = [
    {"kind": "fixed", "balls": ["light-topspin", "light-push"]},
    {"kind": "rotating", "balls": ["no-spin-steady", "light-topspin", "light-push"]},
    {"kind": "quota", "quota": {"light-topspin": 10, "light-push": 10}},
    {"kind": "random", "weights": {"light-topspin": 1, "light-push": 1}, "max_alike": 3},
]


@pytest.mark.parametrize("sequence", SLOW, ids=[str(kind["kind"]) for kind in SLOW])
def test_an_order_with_fewer_changes_is_offered_and_keeps_its_word(sequence: dict[str, object]) -> None:
    """The pair is named, and the order that is offered runs at the tempo told, with the waits told, and no stretch."""
    (slow,) = plan_drill(drill_of(sequence), BALLS, SHED, 1).sets
    assert slow.stretch is not None and slow.stretch.pair is not None
    assert " after ".join(reversed(slow.stretch.pair)) in slow.stretch.text
    found = re.search(
        r"in pairs they would come at ([\d.]+)/min, with ([\d.]+) s for each change: (kind.*)$", slow.stretch.text
    )
    assert found is not None, slow.stretch.text
    offered = tomllib.loads(found[3].replace(", parts =", "\nparts ="))
    plan = plan_drill(drill_of(offered, float(found[1])), BALLS, SHED, 1)
    assert plan.sets[0].stretch is None
    balls = plan.sets[0].balls
    assert {ball.ball for ball in balls} == {ball.ball for ball in slow.balls}
    # A change may take the wait that is told, and no ball of a pair differs from the other.
    for n, (before, after) in enumerate(pairwise(balls), 1):
        assert after.gap_s == pytest.approx(60 / float(found[1]) if n % 2 else float(found[2]), abs=0.05)
        assert before.ball == after.ball or n % 2 == 0
    assert sum(gaps(plan)) < len(gaps(plan)) * slow.interval_s / 1.05


def test_no_order_is_offered_where_nothing_is_slow() -> None:
    """On quick wheels there is no stretch; with one kind of ball there is nothing to group; a choice stays a choice."""
    assert plan_drill(drill_of(SLOW[0]), BALLS, CLUB, 1).sets[0].stretch is None
    chooses = {"kind": "scenario", "parts": ["light-push", {"one_of": [["light-topspin"], ["light-push"]]}]}
    (unknown,) = plan_drill(drill_of(chooses), BALLS, SHED, 1).sets
    assert unknown.stretch is not None and "pairs" not in unknown.stretch.text
    (one_kind,) = plan_drill(drill_of({"kind": "fixed", "balls": ["flat-block"]}, 80), BALLS, SHED, 1).sets
    assert one_kind.stretch is not None and "pairs" not in one_kind.stretch.text


def test_a_set_too_slow_for_the_feeder_is_refused_with_the_order_that_works() -> None:
    """The refusal carries the offer instead of the advice to leave out the pair."""
    with pytest.raises(NotPossible, match=r"this feeder makes 20 to 55/min; .*in pairs they would come at 24\.0/min"):
        plan_drill(load_drill("mixed-spin-gentle"), BALLS, SHED, 1)


def test_a_tempo_rises_evenly_from_the_first_ball_to_the_last() -> None:
    """24 to 38/min over 20 balls: the first gap is 2.5 s, the last 60/38 s, and the tempo grows by equal steps."""
    plan = plan_drill(load_drill("quicker-and-quicker"), BALLS, CLUB, 1)
    found = gaps(plan)
    assert found[0] == pytest.approx(2.5) and found[-1] == pytest.approx(60 / 38)
    steps = [60 / after - 60 / before for before, after in pairwise(found)]
    assert steps == pytest.approx([14 / 18] * 18)
    assert plan.sets[0].tempo_text() == "24.0 to 38.0"
    assert plan.sets[0].stretch is None


def test_a_rise_that_the_machine_cuts_is_told() -> None:
    """Where the feeder ends at 55/min, a rise to 64 ends there; the text says so, and no gap is shorter."""
    drill = drill_of({"kind": "fixed", "balls": ["no-spin-steady"]}, 40, tempo_rise_per_min=24)
    plan = plan_drill(drill, BALLS, KIT, 1)
    (only,) = plan.sets
    assert only.stretch is not None
    assert only.stretch.text.startswith("the tempo rises to 5") and "here instead of 64/min" in only.stretch.text
    assert min(gaps(plan)) >= only.min_gap_s["no-spin-steady", "no-spin-steady"] - 1e-9


def test_a_rise_of_which_little_is_left_is_refused() -> None:
    """A drill whose point is the rise is not thrown at one tempo."""
    drill = drill_of(SLOW[0], 22, tempo_rise_per_min=20)
    with pytest.raises(NotPossible, match="its point is lost here: the tempo should rise from 22 to 42/min"):
        plan_drill(drill, BALLS, SHED, 1)


def test_a_rise_keeps_to_the_players_limit() -> None:
    """A junior's 35/min hold at the end of the rise, and the text names the profile."""
    drill = drill_of({"kind": "fixed", "balls": ["no-spin-steady"]}, 24, tempo_rise_per_min=14)
    plan = plan_drill(drill, BALLS, CLUB, 1, player=JUNIOR)
    assert min(gaps(plan)) == pytest.approx(60 / 35)
    assert plan.sets[0].stretch is not None and "junior" in plan.sets[0].stretch.text


@pytest.mark.parametrize("machine", [CLUB, SHED], ids=lambda machine: machine.name)
def test_a_set_against_the_clock_ends_with_its_time(machine: object) -> None:
    """The last ball leaves within the minute, and one more would not; the count of the plan is what is thrown."""
    plan = plan_drill(load_drill("closing-minute"), BALLS, machine, 1)  # type: ignore[arg-type]
    minute = plan.sets[1]
    length_s = sum(ball.gap_s for ball in minute.balls[1:])
    assert length_s <= 60 < length_s + minute.interval_s + 1e-6
    assert plan.balls == sum(len(part.balls) for part in plan.sets) == 10 + len(minute.balls)


def test_a_set_against_the_clock_has_balls_enough() -> None:
    """A file whose set would run out of balls before its time is refused, with the number that does."""
    with pytest.raises(InvalidFile, match="balls of at least 31 in a set of 60 s"):
        drill_of({"kind": "fixed", "balls": ["no-spin-steady"]}, 30, 30, lasts_s=60)
    drill_of({"kind": "fixed", "balls": ["no-spin-steady"]}, 30, 31, lasts_s=60)
    with pytest.raises(InvalidFile, match="lasts_s without a quota"):
        drill_of({"kind": "quota", "quota": {"no-spin-steady": 20}}, 10, 20, lasts_s=60)


def test_the_simplest_machine_has_at_least_fourteen_drills() -> None:
    """Without pan: each is planned, at the tempo asked for, or says which pair limits it."""
    possible = []
    for name in NAMES:
        drill = load_drill(name)
        try:
            plan = plan_drill(drill, BALLS, SHED, 1)
        except NotPossible:
            continue
        possible.append(name)
        for part in plan.sets:
            asked_s = 60 / part.asked_per_min
            assert part.interval_s == pytest.approx(asked_s) or (part.stretch and part.stretch.reason), name
    assert len(possible) >= 14
    assert not {"steady-forehand", "steady-backhand", "one-each-side"} & set(possible)
