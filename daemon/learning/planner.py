"""A session of N minutes and M balls: warm-up, focus, check set, with the reason for each.

Rule of this file: the same journal gives the same plan; no chance, no clock. A plan is a proposal and starts nothing.
Times come from the rehearsal of each set (`Pace`), never from the tempo asked for. Shares of random sets, lengths and
rests are ours. Practice goes from fixed to rotating to random because matches are random; that random practice teaches
more is not proven outside laboratories, least of all for the young, so juniors get one step less of it.
"""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from typing import Literal

from drillfeed.daemon.learning.scores import Standing, by_score

Kind = Literal["warm-up", "focus", "check"]
Order = Literal["fixed", "rotating", "random"]
Mixes = Callable[[str, str], bool]

USUAL_REST_S = 45.0
"""A rest that waits for the player, until 20 rests of the player are known."""
USUAL_TEMPO_PER_MIN = 30.0
SET_BALLS, MIN_SET_BALLS, CHECK_BALLS = 20, 8, 20
WARM_UP_SHARE, MIN_WARM_UP, MAX_WARM_UP = 0.1, 10, 20
LIKELY_PER_MIN = 15.0
"""Balls a minute of a whole session, rests included; only the length of the warm-up depends on it."""
EASY_SHARE = 0.85
THIRD_FOCUS_MINUTES = 45.0
CHECK_FROM_BALLS, MAX_OTHERS = 70, 3
RANDOM_SHARES = ((0.65, 1 / 3), (0.80, 1 / 2), (1.01, 2 / 3))
"""Up to this share made, so much of the focus sets is random; see `random_share`."""
NEAR = 0.05
"""A plan that is further from the minutes asked for than this names the bound that stopped it."""


class TooShort(ValueError):
    """There is no session in so little; the text says what the least is."""


@dataclass(frozen=True)
class Pace:
    """What the rehearsal of a set says: the time between two balls, and the countdown before the first."""

    interval_s: float
    countdown_s: float


@dataclass(frozen=True)
class PlannedSet:
    """One set: how many balls of which types, in which order, at which tempo, and the rest before it.

    `written` is the order itself where it must be the same every time. In a random set the first type comes twice as
    often as each other.
    """

    kind: Kind
    order: Order
    types: tuple[str, ...]
    balls: int
    tempo_per_min: float
    rest_before_s: float = 0.0
    written: tuple[str, ...] = ()


@dataclass(frozen=True)
class CheckSet:
    """The check set of a player: its balls in order, its tempo, and on which days it was thrown, as words."""

    balls: tuple[str, ...]
    tempo_per_min: float
    days: tuple[str, ...] = ()
    due_first: bool = True
    """Whether none was thrown this week, so that it comes right after the warm-up and counts as kept."""


@dataclass(frozen=True)
class Wanted:
    """What was asked for, and what bounds it: balls with the name of each bound, and the longest set allowed."""

    minutes: float
    bounds: tuple[tuple[str, int], ...]
    max_set_balls: int = 40
    max_set_owner: str = "the longest set"
    max_per_min: float = 120.0
    junior: bool = False
    rest_s: float = USUAL_REST_S
    check: CheckSet | None = None

    @property
    def budget(self) -> tuple[str, int]:
        """Return the bound that allows the fewest balls."""
        return min(self.bounds, key=lambda bound: bound[1])


@dataclass(frozen=True)
class Plan:
    """A session: its sets, their paces, the focus types, and the bounds that stopped it."""

    wanted: Wanted
    sets: tuple[PlannedSet, ...]
    paces: tuple[Pace, ...]
    warm_up: Standing
    focus: tuple[Standing, ...]
    stopped_by: tuple[str, ...] = ()

    @property
    def balls(self) -> int:
        """Return how many balls the plan throws."""
        return sum(part.balls for part in self.sets)

    @cached_property
    def total_s(self) -> float:
        """Return the time from the first countdown to the last ball, rests included."""
        return sum(map(set_s, self.sets, self.paces))


def set_s(part: PlannedSet, pace: Pace) -> float:
    """Return the time of a set with the rest before it: rest + countdown + (balls - 1) x interval."""
    return part.rest_before_s + pace.countdown_s + (part.balls - 1) * pace.interval_s


def random_share(share: float, junior: bool) -> float:
    """Return which part of the focus sets is random, by the share made; juniors get one step less."""
    steps = [0.0, *(part for _, part in RANDOM_SHARES)]
    place = 1 + next(place for place, (below, _) in enumerate(RANDOM_SHARES) if share < below)
    return steps[place - junior]


def plan_session(
    wanted: Wanted,
    standings: Sequence[Standing],
    pace: Callable[[PlannedSet], Pace],
    mixes: Mixes = lambda ball, other: True,
) -> Plan:
    """Return a session; raise TooShort if not even a warm-up and one short set fit, ValueError without a ball type.

    `mixes` tells whether the machine throws two types in one set.
    """
    if not standings:
        raise ValueError("no ball type that this player and machine may throw")
    owner, budget = wanted.budget
    warm_up, focus = _warm_up(standings), _focus(wanted, tuple(standings))
    known: dict[tuple[object, ...], Pace] = {}

    def pace_of(part: PlannedSet) -> Pace:
        key = (part.kind, part.order, part.types, part.tempo_per_min, part.written)
        if key not in known:
            known[key] = pace(part)
        return known[key]

    def time_of(sets: Sequence[PlannedSet]) -> float:
        return sum(set_s(part, pace_of(part)) for part in sets)

    def fits(sets: Sequence[PlannedSet]) -> bool:
        return sum(part.balls for part in sets) <= budget and time_of(sets) <= 60 * wanted.minutes

    others = {standing.ball: _others(standing, focus, standings, mixes) for standing in focus}
    base = min(SET_BALLS, wanted.max_set_balls)
    least = min(MIN_SET_BALLS, wanted.max_set_balls)
    frame = _frame(wanted, warm_up, budget)
    sets = _with_focus(wanted, frame, focus, others, 1, least)
    if not fits(sets):
        frame = _frame(replace(wanted, check=None), warm_up, budget)
        sets = _with_focus(wanted, frame, focus, others, 1, least)
    if not fits(sets):
        minutes, balls = time_of(sets) / 60, sum(part.balls for part in sets)
        raise TooShort(f"the shortest session has {balls} balls and takes {minutes:.1f} minutes; {owner}: {budget}")
    number = 1
    while fits(_with_focus(wanted, frame, focus, others, number + 1, base)):
        number += 1
    tried = [
        _lengthened(some, tuple(map(pace_of, some)), wanted)
        for count in (number, number + 1)
        for length in (base, least)
        if fits(some := _with_focus(wanted, frame, focus, others, count, length))
    ]
    sets = max(tried, key=lambda some: (round(time_of(some)), -len(some)))
    paces = tuple(map(pace_of, sets))
    return Plan(wanted, tuple(sets), paces, warm_up, focus, _stopped_by(wanted, sets, time_of(sets)))


def _warm_up(standings: Sequence[Standing]) -> Standing:
    """Return the type to warm up with: one that is made nearly always, else the easiest."""
    easy = [standing for standing in standings if standing.marked_balls and standing.estimate.share >= EASY_SHARE]
    return min(easy or standings, key=lambda standing: (standing.ease, -standing.estimate.share, standing.ball))


def _focus(wanted: Wanted, standings: tuple[Standing, ...]) -> tuple[Standing, ...]:
    """Return two focus types, three in a long session; a gentler ball takes the place of one that is too hard."""
    by_name = {standing.ball: standing for standing in standings}
    chosen: dict[str, Standing] = {}
    for standing in by_score(standings) or standings:
        gentler = by_name.get(standing.gentler or "") if standing.too_hard else None
        taken = gentler or standing
        chosen.setdefault(taken.ball, taken)
    return tuple(chosen.values())[: 3 if wanted.minutes >= THIRD_FOCUS_MINUTES else 2]


def _tempo(wanted: Wanted, standing: Standing) -> float:
    return min(standing.tempo_per_min or USUAL_TEMPO_PER_MIN, wanted.max_per_min)


def _frame(wanted: Wanted, warm_up: Standing, budget: int) -> tuple[PlannedSet, PlannedSet | None, bool]:
    """Return the warm-up, the check set if there is room for one, and whether the check set comes first."""
    likely = min(budget, LIKELY_PER_MIN * wanted.minutes)
    balls = min(max(round(WARM_UP_SHARE * likely), MIN_WARM_UP), MAX_WARM_UP, wanted.max_set_balls)
    slow = min(_tempo(wanted, warm_up), USUAL_TEMPO_PER_MIN)
    first = PlannedSet("warm-up", "fixed", (warm_up.ball,), balls, slow)
    check = wanted.check
    if check is None or budget < CHECK_FROM_BALLS or len(check.balls) > wanted.max_set_balls:
        return first, None, False
    types = tuple(dict.fromkeys(check.balls))
    tempo = min(check.tempo_per_min, wanted.max_per_min)
    return (
        first,
        PlannedSet("check", "fixed", types, len(check.balls), tempo, wanted.rest_s, check.balls),
        check.due_first,
    )


def _with_focus(
    wanted: Wanted,
    frame: tuple[PlannedSet, PlannedSet | None, bool],
    focus: Sequence[Standing],
    others: Mapping[str, tuple[str, ...]],
    number: int,
    length: int,
) -> list[PlannedSet]:
    """Return the sets of a session with `number` focus sets of `length` balls."""
    first, check, check_first = frame
    middle: list[tuple[int, PlannedSet]] = []
    for place, standing in enumerate(focus):
        own = number // len(focus) + (place < number % len(focus))
        random = int(random_share(standing.estimate.share, wanted.junior) * own + 0.5)
        fixed = (own - random + 1) // 2
        mixed = others[standing.ball]
        for turn in range(own):
            order: Order = "fixed" if turn < fixed else "rotating" if turn < own - random else "random"
            if not mixed:
                order = "fixed"
            types = (standing.ball, *mixed[: {"fixed": 0, "rotating": 1, "random": MAX_OTHERS}[order]])
            part = PlannedSet("focus", order, types, length, _tempo(wanted, standing), wanted.rest_s)
            middle.append((("fixed", "rotating", "random").index(order), part))
    middle.sort(key=lambda ranked: ranked[0])
    sets = [part for _, part in middle]
    checks = [] if check is None else [check]
    # The slowest set is the warm-up, whatever the tempo of the sets after it.
    slowest = min(part.tempo_per_min for part in (first, *sets, *checks))
    warm = replace(first, tempo_per_min=slowest)
    return [warm, *checks, *sets] if check_first else [warm, *sets, *checks]


def _others(
    standing: Standing, focus: Sequence[Standing], standings: Sequence[Standing], mixes: Mixes
) -> tuple[str, ...]:
    """Return up to three types to mix with one: the other focus types, then those thrown, the best known first."""
    known = sorted(
        (other for other in standings if other.days is not None or other in focus),
        key=lambda other: (other not in focus, -other.marked_balls, other.ball),
    )
    chosen = [standing.ball]
    for other in known:
        if len(chosen) <= MAX_OTHERS and other.ball not in chosen and not other.too_hard:
            chosen += [other.ball] if all(mixes(ball, other.ball) for ball in chosen) else []
    return tuple(chosen[1:])


def _lengthened(sets: list[PlannedSet], paces: Sequence[Pace], wanted: Wanted) -> list[PlannedSet]:
    """Return the sets with as many balls in the focus sets as fit, one ball at a time to the shortest set."""
    counts = [part.balls for part in sets]
    balls_left = wanted.budget[1] - sum(counts)
    left_s = 60 * wanted.minutes - sum(map(set_s, sets, paces))
    open_places = [place for place, part in enumerate(sets) if part.kind == "focus"]
    while balls_left > 0:
        places = [
            place for place in open_places if counts[place] < wanted.max_set_balls and paces[place].interval_s <= left_s
        ]
        if not places:
            break
        shortest = min(places, key=lambda place: (counts[place], place))
        counts[shortest] += 1
        balls_left -= 1
        left_s -= paces[shortest].interval_s
    return [replace(part, balls=count) for part, count in zip(sets, counts, strict=True)]


def _stopped_by(wanted: Wanted, sets: Sequence[PlannedSet], total_s: float) -> tuple[str, ...]:
    """Return the bounds that keep the plan from being longer."""
    owner, budget = wanted.budget
    used = sum(part.balls for part in sets)
    found = []
    if used >= budget:
        found.append(f"{owner}: {budget} balls")
    if total_s < 60 * wanted.minutes * (1 - NEAR) and used < budget:
        if all(part.balls >= wanted.max_set_balls for part in sets if part.kind == "focus"):
            found.append(f"{wanted.max_set_owner}: {wanted.max_set_balls} balls a set")
        else:
            found.append("another set would pass the time")
    return tuple(found)
