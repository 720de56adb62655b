"""The credit of a ladder: its worked traces, its bounds, and how it holds simulated players."""

import random

import pytest

from drillfeed.daemon.learning.credit import Credit, CreditRule, Move, Offer, PlayedSet, Room, follow_sets
from tests.learning.ladders import CASES, judge


def trace(*made: int, out_of: int = 20) -> tuple[list[float], list[Offer | None]]:
    """Return the credit that each set led to, before an offer takes it, and the offers."""
    credit, values, offers = Credit(), [], []
    for count in made:
        credit, offer = credit.after_set(PlayedSet(count, out_of))
        values.append(credit.value if offer is None else offer.over)
        offers.append(offer)
    return values, offers


def test_rising_counts_lead_to_a_harder_step() -> None:
    """16 17 15 18 17 of 20 make 1, 2.8, 2.24, 4.792 and 5.8336, and only the last one offers."""
    values, offers = trace(16, 17, 15, 18, 17)
    assert values == pytest.approx([1.0, 2.8, 2.24, 4.792, 5.8336], abs=1e-12)
    assert offers[:4] == [None] * 4
    assert offers[4] is not None and offers[4].move == "harder"


def test_falling_counts_lead_to_an_easier_step() -> None:
    """13 12 14 10 of 20 make -2, -4.6, -4.68 and -8.744, and only the last one offers."""
    values, offers = trace(13, 12, 14, 10)
    assert values == pytest.approx([-2.0, -4.6, -4.68, -8.744], abs=1e-12)
    assert offers[:3] == [None] * 3
    assert offers[3] is not None and offers[3].move == "easier"


@pytest.mark.parametrize(("made", "move"), [(10, "easier"), (20, "harder"), (11, None), (19, None)])
def test_one_set_far_off_offers_at_once(made: int, move: Move | None) -> None:
    """10 of 20 and 20 of 20 lie five balls off the target; 11 and 19 do not."""
    (offer,) = trace(made)[1]
    assert (offer.move if offer else None) == move


def test_reason_is_one_sentence_with_its_figures() -> None:
    """The counts, how far they lie off, and that the newest count most."""
    offer = trace(17, 18, 17)[1][-1]
    assert offer is not None
    assert offer.text == "17, 18, 17 of 20: 5.7 balls over what 75 % would be, newest sets counting most"
    mixed = Offer("easier", -6.02, ((5, 10), (12, 20)), 0.75)
    assert mixed.text.startswith("5 of 10, 12 of 20: 6.0 balls under what 75 % would be")


@pytest.mark.parametrize(
    "played",
    [PlayedSet(None, None), PlayedSet(20, 20, counts=False), PlayedSet(7, 7)],
    ids=["unmarked", "warm-up or check", "short"],
)
def test_some_sets_change_nothing(played: PlayedSet) -> None:
    """Unmarked is missing; warm-ups, check sets and sets under eight balls are not counted."""
    before = follow_sets(Credit(), [PlayedSet(17, 20)])
    after, offer = before.after_set(played)
    assert offer is None and (after.value, after.since) == (before.value, before.since)


def test_short_and_long_sets_weigh_by_share() -> None:
    """9 of 10 lies as far over as 18 of 20; 45 of 60 lies on the target."""
    assert trace(9, out_of=10)[0] == trace(18)[0]
    assert trace(45, out_of=60)[0] == [0.0]


def test_a_move_of_a_person_begins_anew_and_another_session_keeps_half() -> None:
    """Whatever the credit was."""
    credit = follow_sets(Credit(), [PlayedSet(17, 20), PlayedSet(17, 20)])
    assert credit.value == pytest.approx(3.6)
    assert credit.after_break().value == pytest.approx(1.8)
    assert (credit.after_move().value, credit.after_move().since) == (0.0, ())


def test_two_easier_steps_late_in_a_session_mean_tired() -> None:
    """Then the sentence says so, and nothing harder is offered before the next session."""
    credit, first = Credit().after_set(PlayedSet(9, 20), session_balls=100)
    assert first is not None and not first.tired
    credit, second = credit.after_set(PlayedSet(8, 20), session_balls=120)
    assert second is not None and second.tired and second.text.endswith("Tired? End with a set you make")
    credit, third = credit.after_set(PlayedSet(20, 20), session_balls=140)
    assert third is None
    assert credit.after_break().after_set(PlayedSet(20, 20), session_balls=20)[1] is not None


def test_two_easier_steps_early_or_far_apart_do_not_mean_tired() -> None:
    """A drill that begins too hard is no sign of it."""
    credit, offer = Credit(), None
    for _ in range(2):
        credit, offer = credit.after_set(PlayedSet(8, 20), session_balls=40)
    assert offer is not None and not offer.tired
    credit, _ = Credit().after_set(PlayedSet(8, 20), session_balls=100)
    for _ in range(4):
        credit, _ = credit.after_set(PlayedSet(15, 20), session_balls=140)
    credit, offer = credit.after_set(PlayedSet(8, 20), session_balls=200)
    assert offer is not None and not offer.tired


def test_offer_at_a_bound_says_what_stands_in_the_way() -> None:
    """The caller names the limit; the offer carries it and the credit begins anew."""
    credit, offer = Credit().after_set(PlayedSet(20, 20), Room(harder="the ladder ends here"))
    assert offer is not None and offer.blocked == "the ladder ends here"
    assert credit.value == 0


def test_ten_thousand_random_sequences_keep_the_rule() -> None:
    """Never past the ladder, never a move without a mark, never without enough credit; a person's move resets."""
    chance = random.Random(1)
    for _ in range(10_000):
        credit, rung, rungs = Credit(CreditRule()), 0, chance.randint(1, 3)
        for _ in range(chance.randint(1, 12)):
            kind = chance.random()
            if kind < 0.15:
                credit = credit.after_move()
                assert credit.value == 0
                rung = max(-rungs, min(rungs, rung + chance.choice((-1, 1))))
            elif kind < 0.25:
                before = credit.value
                credit = credit.after_break()
                assert abs(credit.value) <= abs(before)
            else:
                out_of = chance.choice((5, 10, 20, 40))
                marked = chance.random() < 0.7
                played = PlayedSet(*((chance.randint(0, out_of), out_of) if marked else (None, None)))
                room = Room("no more" if rung == rungs else None, "no more" if rung == -rungs else None)
                credit, offer = credit.after_set(played, room, chance.randint(0, 300))
                assert abs(credit.value) < credit.rule.credit
                if offer is not None:
                    assert marked and out_of >= 8 and abs(offer.over) >= credit.rule.credit
                    assert (offer.over > 0) == (offer.move == "harder")
                    assert (offer.blocked is not None) == (rung == (rungs if offer.move == "harder" else -rungs))
                    if offer.blocked is None:
                        rung += 1 if offer.move == "harder" else -1
                assert -rungs <= rung <= rungs


@pytest.mark.parametrize(
    ("case", "in_band", "reversals"), [("static", 0.90, 2.5), ("improving", 0.90, 2.5), ("wrong marks", 0.85, 2.5)]
)
def test_players_stay_in_the_band(case: str, in_band: float, reversals: float) -> None:
    """200 players each; `python -m tests.learning.ladders` has 2,000 and all cases."""
    found = judge(CASES[case], 200)
    assert found.in_band >= in_band
    assert found.reversals <= reversals
    assert found.below <= 0.02
