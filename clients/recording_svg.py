"""A recording drawn as SVG without a library: asked, limited and measured against time, one panel for each axis.

Rule of this file: it takes numbers and returns text. Colour alone never carries a meaning: each line has its own style
and a name. A speed that was not measured leaves a gap in its line, never a zero.
"""

import math
from collections.abc import Sequence
from html import escape

from drillfeed.clients.recording import Recording
from drillfeed.protocol.plain import plain

WIDTH, LEFT, RIGHT = 960, 76, 16
PANEL, GAP, HEAD, FOOT = 190, 34, 58, 46
MAX_POINTS = 1500
HOLE_S = 0.25
TICKS = 6
STYLES = {
    "asked": 'stroke="#888" stroke-width="3" stroke-opacity="0.6"',
    "limited": 'stroke="#000" stroke-width="1" stroke-dasharray="5 3"',
    "measured": 'stroke="#000" stroke-width="1"',
}
MEANING = {"asked": "asked by the daemon", "limited": "limited by the driver", "measured": "measured"}
AXES = {"top": ("top wheel", "rpm"), "bottom": ("bottom wheel", "rpm"), "tilt": ("tilt", "degrees")}

Points = list[tuple[float, float | None]]


def series_of(recording: Recording, axis: str) -> dict[str, Points]:
    """Return the three lines of an axis as (second, value); the value is None where it was unknown."""
    unit = "deg" if axis == "tilt" else "rpm"
    lines: dict[str, Points] = {
        "asked": [(setpoint.at_s, getattr(setpoint, f"{axis}_{unit}")) for setpoint in recording.asked],
        "limited": [(status.at_s, status.limited.get(axis)) for status in recording.told],
        "measured": [(status.at_s, status.measured.get(axis)) for status in recording.told],
    }
    return {name: points for name, points in lines.items() if any(value is not None for _, value in points)}


def thinned(points: Points, max_points: int = MAX_POINTS) -> Points:
    """Return about `max_points` points: the least and the greatest value of each stretch, and every gap."""
    if len(points) <= max_points:
        return points
    size = math.ceil(2 * len(points) / max_points)
    kept: Points = []
    for start in range(0, len(points), size):
        stretch = points[start : start + size]
        known = [point for point in stretch if point[1] is not None]
        if known:
            kept += sorted(
                {min(known, key=lambda point: point[1] or 0.0), max(known, key=lambda point: point[1] or 0.0)}
            )
        if len(known) < len(stretch):
            kept.append((stretch[-1][0], None))
    return kept


def nice_step(span: float, ticks: int = TICKS) -> float:
    """Return a step of 1, 2 or 5 times a power of ten that divides `span` into at most about `ticks` parts."""
    rough = span / ticks
    size = 10.0 ** math.floor(math.log10(rough)) if rough > 0 else 1.0
    return next((size * part for part in (1, 2, 5) if size * part >= rough), size * 10)


def _ticks(low: float, high: float) -> list[float]:
    step = nice_step(high - low)
    return [step * n for n in range(math.ceil(low / step - 1e-9), math.floor(high / step + 1e-9) + 1)]


def _path(points: Points, x: "_Scale", y: "_Scale") -> str:
    """Return a line's path commands; the line is interrupted where a value is missing or time has a gap."""
    hole_s = max(HOLE_S, 4 * (x.high - x.low) / MAX_POINTS)
    parts: list[str] = []
    before_s: float | None = None
    for at_s, value in points:
        if value is None:
            before_s = None
            continue
        pen = "M" if before_s is None or at_s - before_s > hole_s else "L"
        parts.append(f"{pen}{x.at(at_s):.1f} {y.at(value):.1f}")
        before_s = at_s
    return "".join(parts)


class _Scale:
    """Maps values to places on the sheet."""

    def __init__(self, low: float, high: float, start: float, end: float) -> None:
        self.low, self.high = low, high if high > low else low + 1.0
        self._start, self._per = start, (end - start) / (self.high - self.low)

    def at(self, value: float) -> float:
        return self._start + (value - self.low) * self._per


def _text(x: float, y: float, words: str, anchor: str = "start", size: int = 12) -> str:
    return f'<text x="{x:.1f}" y="{y:.1f}" text-anchor="{anchor}" font-size="{size}">{escape(plain(words))}</text>'


def _rule(x1: float, y1: float, x2: float, y2: float, style: str) -> str:
    return f'<line x1="{x1:.1f}" y1="{y1:.1f}" x2="{x2:.1f}" y2="{y2:.1f}" {style}/>'


def _panel(recording: Recording, axis: str, lines: dict[str, Points], top: float, x: _Scale) -> list[str]:
    values = [value for points in lines.values() for _, value in points if value is not None]
    low, high = min(0.0, *values) if axis != "tilt" else min(values), max(values)
    room = 0.05 * (high - low) or 1.0
    y = _Scale(low - room, high + room, top + PANEL, top)
    name, unit = AXES[axis]
    parts = [f'<rect x="{LEFT}" y="{top}" width="{WIDTH - LEFT - RIGHT}" height="{PANEL}" fill="none" stroke="#444"/>']
    parts.append(_text(LEFT, top - 7, f"{name}, {unit}", size=13))
    for value in _ticks(y.low, y.high):
        parts.append(_rule(LEFT, y.at(value), WIDTH - RIGHT, y.at(value), 'stroke="#ddd"'))
        parts.append(_text(LEFT - 6, y.at(value) + 4, f"{value:,.6g}", "end"))
    for at_s in recording.fed_s:
        parts.append(_rule(x.at(at_s), top + PANEL - 9, x.at(at_s), top + PANEL, 'stroke="#000" stroke-width="2"'))
    for line, points in lines.items():
        parts.append(
            f'<path d="{_path(thinned(points), x, y)}" fill="none" {STYLES[line]}><title>{line}</title></path>'
        )
    return parts


def _legend(names: Sequence[str], fed: int) -> list[str]:
    parts, x = [], float(LEFT)
    for name in names:
        parts += [_rule(x, 40, x + 34, 40, STYLES[name]), _text(x + 40, 44, MEANING[name])]
        x += 200
    if fed:
        parts += [
            _rule(x + 10, 35, x + 10, 45, 'stroke="#000" stroke-width="2"'),
            _text(x + 20, 44, f"{fed} balls fed"),
        ]
    return parts


def draw(recording: Recording, title: str) -> str:
    """Return the drawing; raise ValueError if the recording holds nothing to draw."""
    panels = {axis: lines for axis in AXES if (lines := series_of(recording, axis))}
    if not panels:
        raise ValueError("nothing to draw: no setpoint and no status in it")
    starts = [series[0].at_s for series in (recording.asked, recording.told) if series]
    x = _Scale(min(starts), recording.length_s, LEFT, WIDTH - RIGHT)
    height = HEAD + len(panels) * (PANEL + GAP) + FOOT
    names = [name for name in STYLES if any(name in lines for lines in panels.values())]
    parts = [
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {WIDTH} {height}" font-family="sans-serif">',
        f"<title>{escape(plain(title))}</title>",
        f'<rect width="{WIDTH}" height="{height}" fill="#fff"/>',
        _text(LEFT, 20, title, size=15),
        *_legend(names, len(recording.fed_s)),
    ]
    top = HEAD + GAP / 2
    for axis, lines in panels.items():
        parts += _panel(recording, axis, lines, top, x)
        bottom = top + PANEL
        top += PANEL + GAP
    for at_s in _ticks(x.low, x.high):
        parts += [_rule(x.at(at_s), bottom, x.at(at_s), bottom + 5, 'stroke="#444"')]
        parts.append(_text(x.at(at_s), bottom + 19, f"{at_s:,.6g}", "middle"))
    parts.append(_text((LEFT + WIDTH - RIGHT) / 2, bottom + 38, "time since the recording began, s", "middle", 13))
    return "\n".join([*parts, "</svg>", ""])
