"""What the journal says about one player today: estimates, standings for a plan, figures for reports.

Rule of this file: everything is computed anew from the rows; nothing of it is written into the journal. Draws come from
a fixed seed, so the same journal gives the same report.
"""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime
from functools import cached_property

import numpy as np

from drillfeed.daemon.journal.practice import PracticeSet, monday_of, week_of
from drillfeed.daemon.journal.season_rows import first_week, season_of
from drillfeed.daemon.learning.changes import WINDOW_WEEKS, Change, changes, shown
from drillfeed.daemon.learning.model import Course, Estimate, estimates, follow
from drillfeed.daemon.learning.planner import USUAL_REST_S, CheckSet
from drillfeed.daemon.learning.report import (
    Dot,
    SessionFigures,
    TypeFigures,
    TypeWeeks,
    WeeksFigures,
    random_against_fixed,
    tempo_that_holds,
)
from drillfeed.daemon.learning.season import Floats
from drillfeed.daemon.learning.trend import Trend, draw_courses, draw_last_states, marked_balls, trend
from drillfeed.protocol.texts.catalogue import text

SEED = 1
SESSION_WEEKS_AGO = 4
LAST_RESTS = 20
LONGEST_REST_S = 600.0


@dataclass(frozen=True)
class Knowledge:
    """The sets of a player and the day on which they are looked at."""

    sets: tuple[PracticeSet, ...]
    today: date

    @cached_property
    def first(self) -> int:
        """Return the number of the first week."""
        return first_week(self.sets, self.today)

    @cached_property
    def course(self) -> Course:
        """Return the states of all weeks."""
        return follow(season_of(self.sets, self.today, self.types))

    @cached_property
    def types(self) -> tuple[str, ...]:
        """Return the ball types of the player, the most thrown first; warm-ups left out."""
        thrown: dict[str, int] = {}
        for some in self.sets:
            for part in () if some.warm_up else some.parts:
                thrown[part.ball] = thrown.get(part.ball, 0) + part.balls
        return tuple(sorted(thrown, key=lambda ball: (-thrown[ball], ball)))

    @cached_property
    def trend(self) -> Trend:
        """Return the bands of all weeks."""
        return trend(self.course)

    @cached_property
    def balls_by_week(self) -> Floats:
        """Return the marked balls of each week and type, shape (weeks, T)."""
        return marked_balls(self.course)

    @cached_property
    def estimates(self) -> Mapping[str, Estimate]:
        """Return the estimate of each type as it is usually thrown."""
        season = self.course.season
        return {found.ball: found for found in estimates(self.course.last, season.types, season.usual())}

    @cached_property
    def marked(self) -> Mapping[str, int]:
        """Return how many marked balls each type has."""
        return {ball: round(count) for ball, count in zip(self.types, self.balls_by_week.sum(axis=0), strict=True)}

    @cached_property
    def last_day(self) -> Mapping[str, date]:
        """Return on which day each type was last thrown."""
        return {part.ball: some.day for some in self.sets for part in some.parts if not some.warm_up}

    @cached_property
    def tempo(self) -> Mapping[str, float]:
        """Return the tempo of the last set with each type."""
        known = ((some, some.tempo_per_min) for some in self.sets if not some.warm_up)
        return {part.ball: tempo for some, tempo in known if tempo is not None for part in some.parts}

    def share_then(self, ball: str) -> float | None:
        """Return the share in the last week in which a type was marked."""
        place = self.types.index(ball)
        weeks = np.flatnonzero(self.trend.marked[:, place])
        return float(self.trend.share[weeks[-1], place]) if len(weeks) else None

    @property
    def rest_s(self) -> float:
        """Return the mean of the last 20 rests, without pauses of over ten minutes; 45 s until one is known."""
        rests = [some.rest_s for some in self.sets if some.rest_s is not None and some.rest_s <= LONGEST_REST_S]
        return float(np.mean(rests[-LAST_RESTS:])) if rests else USUAL_REST_S

    def check_set(self) -> CheckSet | None:
        """Return the check set that was thrown last, with the days of the same balls; None if there is none."""
        checks = [some for some in self.sets if some.check_set and some.order]
        if not checks:
            return None
        last = checks[-1]
        days = dict.fromkeys(f"{some.day:%Y-%m-%d}" for some in checks if some.order == last.order)
        due = all(some.week != week_of(self.today) for some in checks)
        return CheckSet(last.order, round(last.tempo_per_min or 30.0, 1), tuple(days)[-3:], due)

    def changes(self, weeks_ago: int) -> tuple[Change, ...]:
        """Return how each type changed over some weeks."""
        drawn = draw_courses(self.course, np.random.default_rng(SEED))
        return changes(self.types, drawn, self.balls_by_week, weeks_ago)

    def session(self, number: int, next_line: str = "", steps: str = "") -> SessionFigures:
        """Return the figures of one session of the player; raise KeyError if the player has no such session."""
        own = [some for some in self.sets if some.session_id == number]
        if not own:
            raise KeyError(number)
        told = {change.ball: change for change in self.changes(SESSION_WEEKS_AGO)}
        counted = [some for some in own if not some.warm_up]
        types = {ball: TypeFigures(self.estimates[ball], 0, self.marked[ball]) for ball in self.types}
        kinds = [self._in_session(kind, counted, told[kind.estimate.ball]) for kind in types.values()]
        made = [some.made_of for some in own if some.made_of is not None]
        began, ended = own[0].began_at, max(some.began_at for some in own)
        return SessionFigures(
            number,
            f"{datetime.fromtimestamp(began):%Y-%m-%d}",
            round((ended - began) / 60) + 1,
            sum(some.balls for some in own),
            len(own),
            len(made),
            tuple(sorted((kind for kind in kinds if kind.balls), key=lambda kind: -kind.balls)),
            sum(part for part, _ in made) if made else None,
            sum(whole for _, whole in made) if made else None,
            steps or _steps(own),
            next_line,
        )

    def _in_session(self, kind: TypeFigures, own: Sequence[PracticeSet], change: Change) -> TypeFigures:
        ball = kind.estimate.ball
        alone = [counts for some in own if (counts := _alone(some, ball)) is not None]
        return TypeFigures(
            kind.estimate,
            sum(part.balls for some in own for part in some.parts if part.ball == ball),
            kind.marked_balls,
            sum(made for made, _ in alone) if alone else None,
            sum(out_of for _, out_of in alone) if alone else None,
            change,
        )

    def weeks(self, who: str) -> WeeksFigures:
        """Return the figures of the weeks page, under the name that it is to show."""
        count = len(self.course.after)
        mondays = tuple(monday_of(self.first + week) for week in range(count))
        balls, unmarked = np.zeros(count, dtype=int), np.zeros(count, dtype=int)
        for some in self.sets:
            if some.week - self.first < count:
                balls[some.week - self.first] += some.balls
                unmarked[some.week - self.first] += some.balls * (some.made_of is None and not some.warm_up)
        states = draw_last_states(self.course, np.random.default_rng(SEED))
        weeks_ago = max(count - WINDOW_WEEKS, WINDOW_WEEKS)
        told, hidden = shown(self.changes(weeks_ago))
        kinds = tuple(self._type_weeks(place, states, change) for place, change in enumerate(told))
        checks = tuple(
            Dot(some.week - self.first, *some.made_of, True)
            for some in self.sets
            if some.check_set and some.made_of is not None and some.week - self.first < count
        )
        notes = [text("learning.hidden", hidden=hidden)] if hidden else []
        notes += _unmarked_note(self.sets)
        return WeeksFigures(
            who, mondays, tuple(balls.tolist()), tuple(unmarked.tolist()), self.trend, kinds, checks, tuple(notes)
        )

    def _type_weeks(self, place: int, states: Floats, change: Change) -> TypeWeeks:
        ball = self.types[place]
        marked = [some for some in self.sets if some.made_of is not None and not some.warm_up]
        own = [(some, part) for some in marked for part in some.parts if part.ball == ball]
        dots = [(some, _alone(some, ball)) for some, _ in own]
        tempos = [some.tempo_per_min for some, _ in own if some.tempo_per_min is not None]
        by_order = [sum(part.balls for some, part in own if some.random == order) for order in (1.0, 0.0)]
        return TypeWeeks(
            self.estimates[ball],
            self.marked[ball],
            tuple(Dot(some.week - self.first, *counts, some.check_set) for some, counts in dots if counts is not None),
            change,
            tempo_that_holds(self.course, states, place, tempos),
            random_against_fixed(self.course, states, place, (by_order[0], by_order[1])),
        )


def _alone(some: PracticeSet, ball: str) -> tuple[int, int] | None:
    """Return what was made of one type in a set, if the marks tell it; None for a total over several types."""
    for part in some.parts:
        if part.ball == ball and some.whole is None and part.marked:
            return part.made, part.marked
    alone = some.whole is not None and [part.ball for part in some.parts] == [ball]
    return some.made_of if alone else None


def _steps(own: Sequence[PracticeSet]) -> str:
    rungs = [some.rung for some in own if some.rung is not None]
    return text("learning.steps", steps=", ".join(f"{rung:+d}" for rung in dict.fromkeys(rungs))) if any(rungs) else ""


def _unmarked_note(sets: Iterable[PracticeSet]) -> list[str]:
    """Tell if sets without a mark were cut short twice as often as marked ones."""
    cut: dict[bool, list[bool]] = {True: [], False: []}
    for some in sets:
        if some.planned_balls and not some.warm_up:
            cut[some.made_of is not None].append(some.balls < some.planned_balls)
    if not cut[True] or not cut[False]:
        return []
    marked, unmarked = (sum(cut[key]) / len(cut[key]) for key in (True, False))
    if unmarked < 2 * marked or not sum(cut[False]):
        return []
    counts = [text("learning.of", cut=sum(cut[key]), sets=len(cut[key])) for key in (False, True)]
    return [text("learning.unmarked", unmarked=counts[0], marked=counts[1])]
