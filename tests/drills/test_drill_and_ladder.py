"""The drill as a file, and what a step, a tempo or a swap makes of it."""

from typing import Any

import pytest

from drillfeed.daemon.drills.drill import Drill, read_drill, with_balls
from drillfeed.daemon.drills.ladder import (
    AS_WRITTEN,
    Changes,
    NoStep,
    one_rung,
    paced,
    reshaped,
    rung_text,
    tempo_change,
)
from drillfeed.daemon.library.loading import known, load_drill
from drillfeed.daemon.validation import InvalidFile
from tests.support.reproducing import swaps_in

FIXED = {"kind": "fixed", "balls": ["light-push"]}
HEAD: dict[str, Any] = {"name": "a-drill", "title": "a drill", "level": "club", "tempo_per_min": 40}


def drill(sets: list[dict[str, Any]] | None = None, **more: Any) -> Drill:
    return read_drill({**HEAD, "set": sets or [{"balls": 10, "sequence": FIXED}], **more}, "a test")


@pytest.mark.parametrize(
    ("more", "says"),
    [
        (
            {"set": [{"balls": 10, "sequence": FIXED}, {"balls": 9, "sequence": FIXED, "warm_up": True}]},
            "first set alone",
        ),
        (
            {
                "set": [
                    {"balls": 9, "sequence": FIXED, "warm_up": True, "tempo_per_min": 50},
                    {"balls": 9, "sequence": FIXED},
                ]
            },
            "a warm-up no faster than the sets after it",
        ),
        (
            {"set": [{"balls": 9, "sequence": {"kind": "fixed", "balls": ["a", "b"]}, "warm_up": True}]},
            "one kind of ball in a fixed sequence",
        ),
        ({"set": [{"balls": 9, "sequence": {"kind": "quota", "quota": {"a": 4, "b": 4}}}]}, "balls = 8"),
        ({"max_per_min": 30}, "max_per_min of at least 40"),
        ({"max_balls": 5}, "max_balls of at least 10"),
        ({"tempo_per_min": 91}, "90.0 or less"),
        ({"start_delay_s": 4}, "5.0 or more"),
        ({"resume_delay_s": 2}, "3.0 or more"),
        ({"easier": [{"title": "nothing"}]}, "a change: tempo_change_per_min, balls_change, weights or swap"),
        ({"harder": [{"title": "x", "weights": {"flat-block": 2}}]}, "only for balls of the drill; not flat-block"),
        ({"set": [{"balls": 121, "sequence": FIXED}]}, "120 or less"),
        (
            {"set": [{"balls": 9, "sequence": FIXED, "bursts": {"min_balls": 4, "max_balls": 3, "pause_s": 6}}]},
            "min_balls not above",
        ),
        ({"titel": "x"}, "no such key; perhaps title"),
    ],
)
def test_a_drill_with_a_mistake_is_refused_with_what_is_allowed(more: dict[str, Any], says: str) -> None:
    """Each bound and each agreement between keys is told in words."""
    with pytest.raises(InvalidFile) as caught:
        drill(**{"sets": more.pop("set")} if "set" in more else {}, **more)
    assert says in str(caught.value)


def test_with_balls_cuts_and_repeats() -> None:
    """A drill is cut to so many balls, or its sets come again until there are as many."""
    plain_drill = drill([{"balls": 10, "sequence": FIXED}, {"balls": 6, "sequence": FIXED}])
    assert [s.balls for s in with_balls(plain_drill, 13).set] == [10, 3]
    assert [s.balls for s in with_balls(plain_drill, 40).set] == [10, 6, 10, 6, 8]
    assert with_balls(plain_drill, 1000).max_balls == 1000


def test_a_warm_up_is_thrown_once_however_long_the_drill() -> None:
    """Repeated sets are those after the warm-up."""
    plain_drill = drill([{"balls": 5, "sequence": FIXED, "warm_up": True}, {"balls": 10, "sequence": FIXED}])
    assert [s.warm_up for s in with_balls(plain_drill, 30).set] == [True, False, False, False]


LADDER = drill(
    [{"balls": 10, "sequence": {"kind": "random", "weights": {"a": 1, "b": 2}, "after": {"b": {"a": 0.5}}}}],
    easier=[{"title": "slower", "tempo_change_per_min": -8}, {"title": "no b", "swap": {"b": "c"}}],
    harder=[{"title": "more b", "weights": {"b": 6}, "balls_change": 5}],
)


def test_steps_add_up_from_the_drill_as_written() -> None:
    """Each rung stands on those before it; the same rung is the same drill whatever came between."""
    two_down = reshaped(LADDER, Changes(-2))
    assert two_down.set[0].sequence.model_dump()["weights"] == {"a": 1, "c": 2}
    assert two_down.set[0].sequence.model_dump()["after"] == {"c": {"a": 0.5}}
    assert tempo_change(LADDER, Changes(-2)) == -8
    up = reshaped(LADDER, Changes(1))
    assert up.set[0].balls == 15 and up.set[0].sequence.model_dump()["weights"] == {"a": 1, "b": 6}
    assert reshaped(LADDER, AS_WRITTEN) == LADDER


def test_a_rung_is_named_and_the_ladder_ends() -> None:
    """The newest step is told in its own words; past the last one the refusal counts the steps."""
    assert [rung_text(LADDER, rung) for rung in (-2, -1, 0, 1)] == ["no b", "slower", "as written", "more b"]
    with pytest.raises(NoStep, match="has 2 easier steps and no more"):
        one_rung(LADDER, Changes(-2), -1)


def test_without_a_ladder_a_rung_is_five_balls_a_minute() -> None:
    """Down and up again gives the drill as written."""
    plain = drill()
    down = one_rung(plain, AS_WRITTEN, -1)
    assert down == Changes(-1, -5.0) and one_rung(plain, down, 1) == AS_WRITTEN
    assert one_rung(plain, AS_WRITTEN, 1) == Changes(1, 5.0)
    assert rung_text(plain, -1) == "slower" and rung_text(plain, 2) == "faster"


def test_coming_back_from_a_written_step_undoes_that_step() -> None:
    """Between as written and a written step lies that step and nothing else."""
    assert one_rung(LADDER, Changes(-1), 1) == AS_WRITTEN
    assert one_rung(LADDER, Changes(1), -1) == AS_WRITTEN


def test_the_tempo_is_moved_from_what_runs_and_stays_in_its_bounds() -> None:
    """Every set but a warm-up is moved; never above the drill's most, never below 5 a minute."""
    plain_drill = drill(
        [{"balls": 5, "sequence": FIXED, "warm_up": True, "tempo_per_min": 20}, {"balls": 9, "sequence": FIXED}],
        max_per_min=43,
    )
    assert [s.tempo_per_min for s in paced(plain_drill, -5, [20, 31]).set] == [20, 26]
    assert [s.tempo_per_min for s in paced(plain_drill, 5, [20, 40]).set] == [20, 43]
    with pytest.raises(NoStep, match="slower than a set may run"):
        paced(plain_drill, -28, [20, 31])


def test_a_shorter_set_keeps_a_ball_and_a_quota_keeps_its_length() -> None:
    """The length of a set follows its step within 1 and 120; what a quota says stays."""
    plain_drill = drill(
        [
            {"balls": 5, "sequence": FIXED},
            {"balls": 100, "sequence": FIXED},
            {"balls": 4, "sequence": {"kind": "quota", "quota": {"a": 4}}},
        ],
        easier=[{"title": "shorter", "balls_change": -10}],
        harder=[{"title": "longer", "balls_change": 30}],
    )
    assert [s.balls for s in reshaped(plain_drill, Changes(-1)).set] == [1, 90, 4]
    assert [s.balls for s in reshaped(plain_drill, Changes(1)).set] == [35, 120, 4]


ORDER_AND_SWAP = [
    ({"kind": "fixed", "balls": ["a", "b to forehand"]}, {"balls": ("a", "c to forehand")}),
    ({"kind": "rotating", "balls": ["b", "a"]}, {"balls": ("c", "a")}),
    ({"kind": "quota", "quota": {"a": 4, "b": 5, "c": 1}, "max_alike": 3}, {"quota": {"a": 4, "c": 6}}),
    (
        {"kind": "random", "weights": {"a": 1, "b": 2, "c": 3}, "never": [["b", "a"]], "after": {"a": {"b": 0.5}}},
        {"weights": {"a": 1, "c": 5}, "never": (("c", "a"),), "after": {"a": {"c": 0.5}}},
    ),
    (
        {"kind": "scenario", "parts": ["a", {"times": 2, "parts": ["b"]}, {"one_of": [["b"], ["a", {"wait_s": 3}]]}]},
        {"parts": ("a", {"times": 2, "parts": ("c",)}, {"one_of": (("c",), ("a", {"wait_s": 3.0})), "weights": None})},
    ),
]


@pytest.mark.parametrize(("order", "expected"), ORDER_AND_SWAP, ids=[str(row["kind"]) for row, _ in ORDER_AND_SWAP])
def test_another_ball_takes_the_place_of_one_everywhere(order: dict[str, Any], expected: dict[str, Any]) -> None:
    """In every kind of order, nested parts and rules included; what falls together is added up."""
    balls = sum(order["quota"].values()) if order["kind"] == "quota" else 10
    swapped = reshaped(drill([{"balls": balls, "sequence": order}]), Changes(swaps=(("b", "c"),)))
    found = swapped.set[0].sequence.model_dump()
    assert {key: found[key] for key in expected} == expected


def test_swapping_a_ball_that_is_not_thrown_names_those_that_are() -> None:
    """A slip of the tongue changes nothing."""
    with pytest.raises(NoStep, match="a-drill throws no flat-block; it throws light-push"):
        reshaped(drill(), Changes(swaps=(("flat-block", "light-push"),)))


def test_a_swap_into_something_that_is_no_ball_is_refused() -> None:
    """What is no mention of a ball can't come into a drill by a swap."""
    with pytest.raises(NoStep, match="no longer holds together"):
        reshaped(drill(), Changes(swaps=(("light-push", "Light Push!"),)))


def test_swaps_are_told_so_that_they_can_be_read_again() -> None:
    """The text of the swaps reads back as the swaps."""
    swaps = (("light-push", "heavy-push"), ("rally-topspin to forehand", "flat-block"))
    assert swaps_in(Changes(swaps=swaps).swaps_text) == swaps
    assert swaps_in("") == ()
    assert Changes(-1, -5.0, swaps).text == (
        "rung -1, tempo -5/min, light-push -> heavy-push, rally-topspin to forehand -> flat-block"
    )


@pytest.mark.parametrize("name", known("drills"))
def test_every_step_of_every_shipped_drill_can_be_taken(name: str) -> None:
    """From the easiest to the hardest step, each ladder that is shipped holds together and changes something."""
    shipped = load_drill(name)
    for rung in range(-len(shipped.easier), len(shipped.harder) + 1):
        changed = reshaped(shipped, Changes(rung))
        assert rung == 0 or changed != shipped or tempo_change(shipped, Changes(rung))
