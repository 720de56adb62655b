"""What a report tells: twelve lines after a session, and the figures of the weeks page.

Rule of this file: no share stands without its interval and the number of balls behind it. What was made is told "as
marked". Nothing here says why something changed, compares two people, or tells decimals of a percent.
"""

from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import date

import numpy as np
from scipy.special import logit

from drillfeed.daemon.learning.changes import MIN_CHANGE, SURE, Change, shown
from drillfeed.daemon.learning.model import Course, Estimate
from drillfeed.daemon.learning.scores import TARGET_SHARE
from drillfeed.daemon.learning.season import (
    RANDOM,
    TEMPO,
    TEMPO_UNIT_PER_MIN,
    USUAL_TEMPO_PER_MIN,
    Floats,
)
from drillfeed.daemon.learning.trend import Trend
from drillfeed.daemon.learning.week_update import logistic

MAX_LINES, MAX_TYPES, WIDTH = 12, 6, 80
APART_PER_MIN, MIN_SETS, MIN_BALLS = 10.0, 4, 60


@dataclass(frozen=True)
class TypeFigures:
    """One type in a session: `made` of `marked` ball by ball or in sets of this type alone, None if nothing was."""

    estimate: Estimate
    balls: int
    marked_balls: int
    made: int | None = None
    marked: int | None = None
    change: Change | None = None


@dataclass(frozen=True)
class SessionFigures:
    """One session. `steps` and `next_line` are sentences; both may be empty."""

    number: int
    day: str
    minutes: int
    balls: int
    sets: int
    marked_sets: int
    types: tuple[TypeFigures, ...]
    made: int | None = None
    marked: int | None = None
    steps: str = ""
    next_line: str = ""


def percent(share: float) -> str:
    """Write a share without decimals."""
    return f"{100 * share:.0f}"


def estimate_text(estimate: Estimate, marked_balls: int) -> str:
    """Write `58 %, likely between 48 and 68 (140 marked)`; without a mark `not known yet (none marked)`."""
    if not marked_balls:
        return "not known yet (none marked)"
    low, high = estimate.outer
    return f"{percent(estimate.share)} %, likely between {percent(low)} and {percent(high)} ({marked_balls} marked)"


def short_text(estimate: Estimate, marked_balls: int) -> str:
    """Write `58 % (48 to 68, 140 marked)`; without a mark `not known yet (none marked)`."""
    low, high = map(percent, estimate.outer)
    known = f"{percent(estimate.share)} % ({low} to {high}, {marked_balls} marked)"
    return known if marked_balls else "not known yet (none marked)"


def session_lines(figures: SessionFigures) -> list[str]:
    """Return the report after a session: at most 12 lines of 80 columns."""
    made = "" if figures.made is None else f"; made {figures.made} of {figures.marked}, as marked"
    lines = [
        f"session {figures.number}, {figures.day}: {figures.balls} balls in {figures.minutes} minutes",
        f"{figures.marked_sets} of {figures.sets} sets marked{made}",
    ]
    told, hidden = shown([kind.change for kind in figures.types if kind.change is not None])
    words = {change.ball: change.word for change in told}
    room = MAX_LINES - len(lines) - bool(figures.steps) - bool(figures.next_line) - 2
    for kind in figures.types[: min(room, MAX_TYPES)]:
        alone = "" if kind.made is None else f"made {kind.made} of {kind.marked}; "
        word = words.get(kind.estimate.ball, "")
        text = f"{kind.estimate.ball}: {alone}{short_text(kind.estimate, kind.marked_balls)}"
        lines.append(_cut(f"{text}; {word}" if word and kind.marked_balls else text))
    more = len(figures.types) - min(room, MAX_TYPES, len(figures.types))
    if more:
        lines.append(f"{more} more ball types: drillfeed report")
    if hidden:
        lines.append(f"{hidden} smaller changes are not shown")
    lines += [_cut(text) for text in (figures.steps, figures.next_line) if text]
    return lines


def _cut(text: str) -> str:
    return text if len(text) <= WIDTH else f"{text[: WIDTH - 3].rstrip()}..."


@dataclass(frozen=True)
class Held:
    """The tempo at which three in four are made: median and 90 % interval, or why it isn't told."""

    ball: str
    text: str


def tempo_that_holds(course: Course, states: Floats, place: int, tempos: Sequence[float]) -> str:
    """Return at which tempo 75 % are made in a fixed sequence, in words.

    `states` (draws, D) are drawn states of the last week, `tempos` those of the marked sets with this type. Told only
    if four sets lie at least 10/min apart from four others; a tempo that was not played is never told as a figure.
    """
    known = sorted(tempos)
    if len(known) < 2 * MIN_SETS or known[-MIN_SETS] - known[MIN_SETS - 1] < APART_PER_MIN:
        return "can't tell yet: marked at one tempo only"
    types = len(course.season.types)
    effect = states[:, types + TEMPO]
    steps = (logit(TARGET_SHARE) - states[:, place]) / np.where(effect < -1e-6, effect, np.nan)
    tempo = USUAL_TEMPO_PER_MIN + TEMPO_UNIT_PER_MIN * steps
    if np.isnan(tempo).mean() > 1 - SURE:
        return f"can't tell yet: tempo makes no clear difference ({len(known)} marked sets)"
    low, middle, high = np.nanquantile(tempo, [0.05, 0.5, 0.95])
    if middle > known[-1]:
        return f"over {known[-1]:.0f}/min (not played), {len(known)} marked sets"
    if middle < known[0]:
        return f"under {known[0]:.0f}/min (not played), {len(known)} marked sets"
    ends = f"{max(low, known[0]):.0f} and {min(high, known[-1]):.0f}"
    return f"about {middle:.0f}/min, likely between {ends} ({len(known)} marked sets)"


def random_against_fixed(course: Course, states: Floats, place: int, balls: tuple[int, int]) -> str:
    """Return how much less is made in a random than in a fixed sequence of the same type and tempo, in words.

    `balls` counts marked balls in random and in fixed sequences.
    """
    counts = f"{balls[0]} balls random, {balls[1]} fixed"
    if min(balls) < MIN_BALLS:
        return f"{counts}: can't tell yet"
    types = len(course.season.types)
    level = states[:, place] + states[:, types + TEMPO] * course.season.usual()[place, TEMPO]
    apart = logistic(level + states[:, types + RANDOM]) - logistic(level)
    sure = max(float((apart > 0).mean()), float((apart < 0).mean()))
    if sure < SURE or abs(apart.mean()) < MIN_CHANGE:
        return f"{counts}: can't tell yet"
    low, high = np.quantile(100 * apart, [0.05, 0.95])
    return f"{counts}: {100 * apart.mean():+.0f} points random, likely between {low:+.0f} and {high:+.0f}"


@dataclass(frozen=True)
class Dot:
    """A set of one type, or a check set: its week, what was made of how many."""

    week: int
    made: int
    out_of: int
    check: bool = False


@dataclass(frozen=True)
class TypeWeeks:
    """One type on the weeks page."""

    estimate: Estimate
    marked_balls: int
    dots: tuple[Dot, ...]
    change: Change
    tempo: str
    transfer: str


@dataclass(frozen=True)
class WeeksFigures:
    """The weeks page: `mondays` of the weeks, their balls and the balls of unmarked sets, and each type."""

    who: str
    mondays: tuple[date, ...]
    balls: tuple[int, ...]
    unmarked: tuple[int, ...]
    trend: Trend
    types: tuple[TypeWeeks, ...]
    checks: tuple[Dot, ...] = ()
    notes: tuple[str, ...] = field(default=())


FOOTNOTES = (
    "Estimates come from balls and sets as they were marked; quick changes show late.",
    "Bands: likely between, inner one 50 %, outer one 90 %. Dashed: weeks without a mark.",
    "Pale dots: sets of this ball alone, larger with more balls. Rings: check sets.",
    "Nothing here says where a ball landed, why a share changed, or how anybody compares with others.",
)


def change_text(change: Change) -> str:
    """Write a change with the balls behind it."""
    before, now = change.balls
    return f"{change.word} ({before} marked balls then, {now} now)"


def load_text(balls: Sequence[int]) -> str:
    """Write `this week 820; the four before: 410 to 560`."""
    if not balls:
        return "no balls yet"
    before = balls[-5:-1]
    span = f"{min(before)} to {max(before)}" if before else "none"
    return f"balls this week {balls[-1]}; the {len(before)} weeks before: {span}"
