"""Draws the weeks of one type as SVG and in characters: nested bands, dots, dashes where nothing was marked.

Rule of this file: shares run from 0 to 100 %, whatever they are. A week without a mark is never joined by a solid line.
No caps, no bars with whiskers.
"""

from collections.abc import Callable, Sequence
from datetime import date
from html import escape
from itertools import pairwise

import numpy as np

from drillfeed.daemon.learning.report import Dot, TypeWeeks, WeeksFigures
from drillfeed.daemon.learning.season import Floats

WIDTH, HEIGHT, LEFT, TOP, BOTTOM = 640, 190, 40, 10, 24
INK, OUTER, INNER, DOT = "#23313f", "#dbe7e4", "#a9c9c1", "#7d8c99"
ROWS = 11
Scale = Callable[[float], float]


def type_svg(figures: WeeksFigures, place: int) -> str:
    """Return the picture of one type; `place` is its place among the types of the trend."""
    trend, kind = figures.trend, figures.types[place]
    across, up = _scales(len(figures.mondays))
    parts = _axes(figures.mondays)
    known = np.flatnonzero(~np.isnan(trend.share[:, place]))
    if len(known):
        weeks = known.tolist()
        for low, high, colour in (
            (trend.low_90, trend.high_90, OUTER),
            (trend.low_50, trend.high_50, INNER),
        ):
            edge = [f"{across(week):.1f},{up(high[week, place]):.1f}" for week in weeks]
            edge += [f"{across(week):.1f},{up(low[week, place]):.1f}" for week in reversed(weeks)]
            # A single week has no width of its own, so its band is drawn as a narrow block.
            if len(weeks) == 1:
                x, top = across(weeks[0]) - 4, up(high[weeks[0], place])
                parts.append(
                    f'<rect x="{x:.1f}" y="{top:.1f}" width="8" '
                    f'height="{up(low[weeks[0], place]) - top:.1f}" fill="{colour}"/>'
                )
            else:
                parts.append(f'<polygon points="{" ".join(edge)}" fill="{colour}"/>')
        parts += [_dot(across, up, dot) for dot in kind.dots]
        for before, after in pairwise(weeks):
            solid = trend.marked[before, place] and trend.marked[after, place]
            dash = "" if solid else ' stroke-dasharray="4 4"'
            parts.append(
                f'<line x1="{across(before):.1f}" y1="{up(trend.share[before, place]):.1f}" '
                f'x2="{across(after):.1f}" y2="{up(trend.share[after, place]):.1f}" '
                f'stroke="{INK}" stroke-width="1.5"{dash}/>'
            )
    return _svg(f"{kind.estimate.ball} by week", parts)


def balls_svg(figures: WeeksFigures) -> str:
    """Return the balls of each week as plain columns, the share that nobody marked paler."""
    across, _ = _scales(len(figures.mondays))
    most = max([1, *figures.balls])
    floor = HEIGHT - BOTTOM
    step = (WIDTH - LEFT - 10) / max(len(figures.mondays), 1)
    parts = [_label(4, TOP + 10, str(most)), _label(4, floor, "0")]
    for week, (balls, unmarked) in enumerate(zip(figures.balls, figures.unmarked, strict=True)):
        tall, pale = ((floor - TOP) * count / most for count in (balls, unmarked))
        x, width = across(week) - 0.35 * step, 0.7 * step
        parts.append(
            f'<rect x="{x:.1f}" y="{floor - tall:.1f}" width="{width:.1f}" height="{tall:.1f}" fill="{INNER}"/>'
        )
        parts.append(
            f'<rect x="{x:.1f}" y="{floor - tall:.1f}" width="{width:.1f}" height="{pale:.1f}" fill="{OUTER}"/>'
        )
    return _svg("balls by week", [*parts, *_days(figures.mondays)])


def checks_svg(figures: WeeksFigures) -> str:
    """Return the check sets by week, as they were marked."""
    across, up = _scales(len(figures.mondays))
    return _svg("check sets by week", [*_axes(figures.mondays), *(_dot(across, up, dot) for dot in figures.checks)])


def type_characters(figures: WeeksFigures, place: int, width: int = 80) -> list[str]:
    """Return the picture of one type in characters: `:` the 90 % band, `=` the 50 % band, `o` and `.` the estimate.

    `o` is a week with a mark, `.` one without. The newest weeks are kept if there are too many.
    """
    trend = figures.trend
    weeks = list(range(len(figures.mondays)))[-(width - 8) :]
    cells = [[" "] * len(weeks) for _ in range(ROWS)]

    def row(share: float) -> int:
        return ROWS - 1 - round(share * (ROWS - 1))

    def fill(low: Floats, high: Floats, sign: str) -> None:
        for column, week in enumerate(weeks):
            if not np.isnan(trend.share[week, place]):
                for line in range(row(high[week, place]), row(low[week, place]) + 1):
                    cells[line][column] = sign

    fill(trend.low_90, trend.high_90, ":")
    fill(trend.low_50, trend.high_50, "=")
    for column, week in enumerate(weeks):
        if not np.isnan(trend.share[week, place]):
            cells[row(trend.share[week, place])][column] = "o" if trend.marked[week, place] else "."
    lines = [f"{100 - 10 * line:>4} % {''.join(some)}".rstrip() for line, some in enumerate(cells)]
    return [
        *lines,
        f"{'':>6} {figures.mondays[weeks[0]]:%d.%m.} to {figures.mondays[weeks[-1]]:%d.%m.}, a column a week",
    ]


def _scales(weeks: int) -> tuple[Scale, Scale]:
    step = (WIDTH - LEFT - 10) / max(weeks, 1)
    return (lambda week: LEFT + (week + 0.5) * step), (lambda share: TOP + (1 - share) * (HEIGHT - TOP - BOTTOM))


def _dot(across: Scale, up: Scale, dot: Dot) -> str:
    size = 2.0 + min(dot.out_of, 60) ** 0.5 / 2
    look = f'fill="none" stroke="{INK}" stroke-width="1.5"' if dot.check else f'fill="{DOT}" fill-opacity="0.35"'
    title = f"<title>{dot.made} of {dot.out_of}</title>"
    where = f'cx="{across(dot.week):.1f}" cy="{up(dot.made / dot.out_of):.1f}" r="{size:.1f}"'
    return f"<circle {where} {look}>{title}</circle>"


def _axes(mondays: Sequence[date]) -> list[str]:
    _, up = _scales(len(mondays))
    parts = []
    for share in (0.0, 0.25, 0.5, 0.75, 1.0):
        y = up(share)
        parts.append(f'<line x1="{LEFT}" y1="{y:.1f}" x2="{WIDTH - 10}" y2="{y:.1f}" stroke="#e6e6e6"/>')
        parts.append(_label(4, y + 4, f"{100 * share:.0f} %"))
    return [*parts, *_days(mondays)]


def _days(mondays: Sequence[date]) -> list[str]:
    across, _ = _scales(len(mondays))
    every = max(1, -(-len(mondays) // 8))
    return [
        _label(across(week) - 14, HEIGHT - 6, f"{day:%d.%m.}") for week, day in enumerate(mondays) if week % every == 0
    ]


def _label(x: float, y: float, text: str) -> str:
    return f'<text x="{x:.1f}" y="{y:.1f}" font-size="11" fill="{INK}">{escape(text)}</text>'


def _svg(title: str, parts: Sequence[str]) -> str:
    inside = "\n".join(parts)
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {WIDTH} {HEIGHT}" width="{WIDTH}" height="{HEIGHT}" '
        f'role="img" font-family="sans-serif"><title>{escape(title)}</title>\n{inside}\n</svg>'
    )


def whole_svg(figures: WeeksFigures) -> str:
    """Return all types under each other as one picture."""
    parts = []
    for place, kind in enumerate(figures.types):
        top = place * (HEIGHT + 24)
        parts.append(f'<g transform="translate(0 {top})">{_label(LEFT, 14, _headline(kind))}')
        parts.append(f'<g transform="translate(0 18)">{type_svg(figures, place)}</g></g>')
    tall = max(1, len(figures.types)) * (HEIGHT + 24)
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {WIDTH} {tall}" width="{WIDTH}" height="{tall}" '
        f'font-family="sans-serif">\n{"".join(parts)}\n</svg>\n'
    )


def _headline(kind: TypeWeeks) -> str:
    low, high = kind.estimate.outer
    share = f"{100 * kind.estimate.share:.0f} %, likely between {100 * low:.0f} and {100 * high:.0f}"
    return f"{kind.estimate.ball}: {share} ({kind.marked_balls} marked)"
