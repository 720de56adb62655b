"""The weeks page: one HTML file without outside resources, which prints well; the same in lines for a terminal.

Rule of this file: it arranges figures and pictures and computes nothing. Every text from the journal is escaped.
"""

from html import escape

from drillfeed.daemon.learning.pictures import balls_svg, checks_svg, type_characters, type_svg
from drillfeed.daemon.learning.report import FOOTNOTES, TypeWeeks, WeeksFigures, change_text, estimate_text, load_text

STYLE = """
:root { color-scheme: light; }
body { font: 15px/1.45 sans-serif; color: #23313f; background: #fff; max-width: 680px; margin: 24px auto; }
h1 { font-size: 22px; } h2 { font-size: 17px; margin-bottom: 2px; }
section { break-inside: avoid; margin-bottom: 22px; }
p { margin: 2px 0; } svg { max-width: 100%; height: auto; } footer { font-size: 13px; }
@media print { body { margin: 0; max-width: none; } }
""".strip()


def weeks_page(figures: WeeksFigures) -> str:
    """Return the page."""
    parts = [f"<h1>{escape(_title(figures))}</h1>", f"<p>{escape(load_text(figures.balls))}</p>"]
    for place, kind in enumerate(figures.types):
        lines = "".join(f"<p>{escape(text)}</p>" for text in _type_lines(kind))
        parts.append(f"<section><h2>{escape(kind.estimate.ball)}</h2>{lines}{type_svg(figures, place)}</section>")
    if figures.checks:
        parts.append(f"<section><h2>Check sets, as marked</h2>{checks_svg(figures)}</section>")
    parts.append(f"<section><h2>Balls a week; pale: sets that nobody marked</h2>{balls_svg(figures)}</section>")
    notes = "".join(f"<p>{escape(text)}</p>" for text in (*figures.notes, *FOOTNOTES))
    return (
        '<!DOCTYPE html>\n<html lang="en"><head><meta charset="utf-8">'
        '<meta name="viewport" content="width=device-width, initial-scale=1">'
        f"<title>{escape(_title(figures))}</title><style>{STYLE}</style></head>\n<body>\n"
        + "\n".join(parts)
        + f"\n<footer>{notes}</footer>\n</body></html>\n"
    )


def weeks_lines(figures: WeeksFigures, width: int = 80) -> list[str]:
    """Return the page for a terminal."""
    lines = [_title(figures), load_text(figures.balls)]
    for place, kind in enumerate(figures.types):
        lines += ["", kind.estimate.ball, *(f"  {text}" for text in _type_lines(kind))]
        lines += type_characters(figures, place, width)
    return [*lines, "", *figures.notes, *FOOTNOTES[:2], FOOTNOTES[3]]


def _title(figures: WeeksFigures) -> str:
    first, last = figures.mondays[0], figures.mondays[-1]
    return f"Practice of {figures.who}, weeks of {first:%Y-%m-%d} to {last:%Y-%m-%d}"


def _type_lines(kind: TypeWeeks) -> list[str]:
    lines = [f"now {estimate_text(kind.estimate, kind.marked_balls)}"]
    if kind.marked_balls:
        lines += [
            f"first against last weeks: {change_text(kind.change)}",
            f"three in four at: {kind.tempo}",
            f"random against fixed: {kind.transfer}",
        ]
    return lines
