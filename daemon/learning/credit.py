"""The credit of a ladder: when to offer a step harder or easier, from the counts of marked sets.

Rule of this file: it offers and never moves. Each marked set adds what it lies over or under the target, in balls of a
20-ball set, and older sets fade. Credit that reaches the bound gives an offer and begins anew, and so does any move
that a person makes. An unmarked set, a warm-up, a check set and a very short set change nothing.

The target lies between known ones: three quarters balances steps of three to one (Kaernbach 1991, Perception and
Psychophysics 49:227), and a large study of arithmetic practice drew its items at that mean success (Klinkenberg,
Straatemeier, van der Maas 2011, Computers and Education 57:1813). No study derives a share for strokes.
"""

from collections.abc import Iterable
from dataclasses import dataclass, replace
from typing import Literal

Move = Literal["harder", "easier"]
SET_BALLS = 20.0


@dataclass(frozen=True)
class CreditRule:
    """Target share, bound of the credit, and the share of it that each set and each session keeps. All are ours.

    `tired_moves` steps easier within `tired_sets` sets, once `late_balls` were thrown in the session, mean tired.
    """

    target: float = 0.75
    credit: float = 5.0
    keep: float = 0.8
    keep_over_sessions: float = 0.5
    min_balls: int = 8
    tired_moves: int = 2
    tired_sets: int = 4
    late_balls: int = 80


HOUSE_RULE = CreditRule()


@dataclass(frozen=True)
class Room:
    """What stands in the way of a step, in words; None if the step can be taken."""

    harder: str | None = None
    easier: str | None = None

    def against(self, move: Move) -> str | None:
        """Return what stands in the way of a move."""
        return self.harder if move == "harder" else self.easier


OPEN = Room()


@dataclass(frozen=True)
class PlayedSet:
    """One set that is over: `made` of `out_of` balls as marked, both None if nobody marked it.

    `counts` is False for a warm-up and for a check set.
    """

    made: int | None
    out_of: int | None
    counts: bool = True


@dataclass(frozen=True)
class Offer:
    """A step that is offered, with the marks that led to it. `blocked` says why it can't be taken; None if it can."""

    move: Move
    over: float
    marks: tuple[tuple[int, int], ...]
    target: float
    blocked: str | None = None
    tired: bool = False

    @property
    def text(self) -> str:
        """Return the reason in one sentence: the newest sets, and by how many balls they are over or under."""
        words = ("over", "what") if self.move == "harder" else ("under", "what")
        sentence = (
            f"{_counts(self.marks)}: {abs(self.over):.1f} balls {words[0]} {words[1]} {self.target:.0%} would be, "
            "newest sets counting most"
        ).replace("%", " %")
        return f"{sentence}. Tired? End with a set you make" if self.tired else sentence


@dataclass(frozen=True)
class Credit:
    """The credit of one player in one drill: its value, the marks in it, and the newest sets of the session.

    `since` holds (made, of) of the sets since the last reset. `easier_at` holds the numbers of the sets after which an
    easier step was offered, `played` how many sets the session has had.
    """

    rule: CreditRule = HOUSE_RULE
    value: float = 0.0
    since: tuple[tuple[int, int], ...] = ()
    played: int = 0
    easier_at: tuple[int, ...] = ()
    tired: bool = False

    def after_move(self) -> "Credit":
        """Return the credit after a person changed rung, tempo or balls: it begins anew."""
        return replace(self, value=0.0, since=())

    def after_break(self) -> "Credit":
        """Return the credit at the beginning of another session: half of it, and nobody is tired yet."""
        kept = self.value * self.rule.keep_over_sessions
        return replace(self, value=kept, played=0, easier_at=(), tired=False)

    def after_set(self, played: PlayedSet, room: Room = OPEN, session_balls: int = 0) -> "tuple[Credit, Offer | None]":
        """Return the credit after a set, and what it offers. `session_balls` counts the balls of the session so far."""
        credit = replace(self, played=self.played + 1)
        made, out_of = played.made, played.out_of
        if made is None or out_of is None or not played.counts or out_of < self.rule.min_balls:
            return credit, None
        surplus = (made - self.rule.target * out_of) * SET_BALLS / out_of
        credit = replace(credit, value=self.rule.keep * self.value + surplus, since=(*self.since, (made, out_of)))
        if abs(credit.value) < self.rule.credit:
            return credit, None
        return credit._offered("harder" if credit.value > 0 else "easier", room, session_balls)

    def _offered(self, move: Move, room: Room, session_balls: int) -> "tuple[Credit, Offer | None]":
        rule, easier_at, tired = self.rule, self.easier_at, self.tired
        if move == "easier" and session_balls >= rule.late_balls:
            easier_at = (*easier_at, self.played)
            tired = tired or sum(self.played - at < rule.tired_sets for at in easier_at) >= rule.tired_moves
        offer = Offer(move, self.value, self.since, rule.target, room.against(move), tired)
        after = replace(self.after_move(), easier_at=easier_at, tired=tired)
        return (after, None) if move == "harder" and tired else (after, offer)


def follow_sets(credit: Credit, sets: Iterable[PlayedSet]) -> Credit:
    """Return the credit after several sets on one rung, as a journal tells them, without their offers."""
    for played in sets:
        credit, _ = credit.after_set(played)
    return credit


def _counts(marks: tuple[tuple[int, int], ...]) -> str:
    """Write `17, 18, 17 of 20`, or with sets of several lengths `9 of 10, 18 of 20`."""
    if len({out_of for _, out_of in marks}) == 1:
        return f"{', '.join(str(made) for made, _ in marks)} of {marks[0][1]}"
    return ", ".join(f"{made} of {out_of}" for made, out_of in marks)
