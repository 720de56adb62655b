"""Pictures with matplotlib: a ball's side view, landings from above, a machine's envelope; SVG or PNG by file ending.

Pictures use greys and black, and every curve and patch has a label; nothing depends on colour alone. Lengths in cm.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import matplotlib as mpl
import numpy as np
from matplotlib.figure import Figure
from matplotlib.patches import Ellipse as EllipsePatch
from matplotlib.patches import Rectangle

from drillfeed.daemon.aim.envelope import Envelope
from drillfeed.daemon.aim.report import spin_text
from drillfeed.daemon.aim.sideview import path_of
from drillfeed.daemon.aim.spread import Spread
from drillfeed.daemon.physics.record import Flight
from drillfeed.daemon.physics.table import HALF_WIDTH_M, NET_HALF_WIDTH_M, NET_HEIGHT_M, NET_X_M, TABLE_LENGTH_M
from drillfeed.protocol.texts.catalogue import text

DARK, MIDDLE, LIGHT = "#222222", "#777777", "#cccccc"
STYLES = ("solid", (0, (5, 2)), (0, (1, 1.5)), (0, (5, 1.5, 1, 1.5)), (0, (8, 3)))
MARKS = ("o", "x", "+", "s", "^", "v", "D", "*", "1", "2", "3", "4")
ARC_WORDS = {"l": "low", "h": "high", "s": "serve-wise"}


@dataclass(frozen=True)
class Drawn:
    """Hold one ball type to draw: its name, flight and spread."""

    name: str
    flight: Flight
    spread: Spread


def save(figure: Figure, out: Path) -> None:
    """Write a figure as SVG or PNG; the same figure gives the same bytes."""
    with mpl.rc_context({"svg.hashsalt": "drillfeed", "svg.fonttype": "none"}):
        if out.suffix == ".svg":
            figure.savefig(out, format="svg", metadata={"Date": None, "Creator": "drillfeed"})
        else:
            figure.savefig(out, format="png", dpi=150, metadata={"Software": "drillfeed"})


def ball_figure(ball: Drawn, title: str) -> Figure:
    """Return the side view of one ball, and below it the view from above with its spread."""
    figure = Figure(figsize=(9, 7), layout="constrained")
    side, above = figure.subplots(2, 1, height_ratios=[1, 1.1])
    figure.suptitle(title, color=DARK, fontsize=11)
    _side(side, ball.flight)
    _table(above)
    _landings(above, ball)
    return figure


def drill_figure(balls: Sequence[Drawn], title: str) -> Figure:
    """Return the landings of all ball types of a drill, seen from above."""
    figure = Figure(figsize=(9, 5.5), layout="constrained")
    above = figure.subplots()
    figure.suptitle(title, color=DARK, fontsize=11)
    _table(above)
    for row, ball in enumerate(balls):
        _ellipse(above, ball, STYLES[row % len(STYLES)])
    above.legend(loc="upper left", bbox_to_anchor=(1.0, 1.0), frameon=False, fontsize=8, handlelength=4)
    return figure


def envelope_figure(found: Envelope, title: str) -> Figure:
    """Return a chart of speed and spin: the wheels' limit, and which arcs land a ball at the depth."""
    figure = Figure(figsize=(8, 6), layout="constrained")
    axes = figure.subplots()
    figure.suptitle(title, color=DARK, fontsize=11)
    for sign in (1.0, -1.0):
        axes.plot(found.speeds_mps, sign * found.border_revps, color=DARK, linewidth=1.2)
    axes.annotate(
        text("plot.border"), (found.speeds_mps[1], found.border_revps[1]), (-6, 14), textcoords="offset points"
    )
    sizes = {"": 0.0, "l": 5.0, "h": 5.0, "s": 5.0}
    for letters, words in _kinds(found).items():
        places = [
            (found.speeds_mps[j], found.spins_revps[i])
            for i, row in enumerate(found.arcs)
            for j, here in enumerate(row)
            if here == letters
        ]
        x, y = zip(*places, strict=True)
        mark = MARKS[sorted(_kinds(found)).index(letters)]
        axes.plot(
            x, y, mark, color=DARK, markersize=sizes.get(letters, 5.0), fillstyle="none", linestyle="", label=words
        )
    axes.set_xlabel(text("plot.launch-speed"))
    axes.set_ylabel(text("plot.launch-spin"))
    axes.legend(title=text("plot.lands-by", depth_cm=100 * found.depth_m), frameon=False, fontsize=8)
    _plain(axes)
    return figure


def _kinds(found: Envelope) -> dict[str, str]:
    letters = sorted({here for row in found.arcs for here in row if here})
    return {word: " and ".join(ARC_WORDS[letter] for letter in word) + " arc" for word in letters}


def _side(axes: Any, flight: Flight) -> None:
    path = np.array(path_of(flight))
    axes.add_patch(Rectangle((0, -3), 100 * TABLE_LENGTH_M, 3, color=LIGHT, linewidth=0))
    axes.plot([100 * NET_X_M] * 2, [0, 100 * NET_HEIGHT_M], color=DARK, linewidth=2)
    axes.plot(100 * path[:, 1], 100 * path[:, 3], color=DARK, linewidth=1)
    for touch in flight.bounces:
        axes.plot(100 * touch.x_m, 0, "x", color=DARK)
        line = text(
            "plot.after-touch",
            speed_after_mps=touch.speed_after_mps,
            spin=spin_text(touch.spin_after_revps, touch.side_after_revps),
        )
        axes.annotate(line, (100 * touch.x_m, 0), (0, -26), textcoords="offset points", fontsize=7, ha="center")
    if flight.net_clearance_m is not None:
        over = text("plot.over", net_clearance_cm=100 * flight.net_clearance_m)
        axes.annotate(over, (100 * NET_X_M, 100 * NET_HEIGHT_M), (4, 2), textcoords="offset points", fontsize=7)
    axes.set_xlim(min(-30, 100 * float(path[:, 1].min()) - 5), 100 * TABLE_LENGTH_M + 60)
    axes.set_ylim(-22, max(45, 100 * float(path[:, 3].max()) + 5))
    axes.set_aspect("equal")
    axes.set_xlabel(text("plot.along"))
    axes.set_ylabel(text("plot.height"))
    _plain(axes)


def _table(axes: Any) -> None:
    width = 100 * HALF_WIDTH_M
    axes.add_patch(Rectangle((0, -width), 100 * TABLE_LENGTH_M, 2 * width, fill=False, edgecolor=MIDDLE, linewidth=1.2))
    axes.plot([0, 100 * TABLE_LENGTH_M], [0, 0], color=LIGHT, linewidth=0.8)
    axes.plot([100 * NET_X_M] * 2, [-100 * NET_HALF_WIDTH_M, 100 * NET_HALF_WIDTH_M], color=DARK, linewidth=1.5)
    axes.set_xlim(100 * NET_X_M - 15, 100 * TABLE_LENGTH_M + 15)
    axes.set_ylim(-100 * NET_HALF_WIDTH_M - 4, 100 * NET_HALF_WIDTH_M + 4)
    axes.set_aspect("equal")
    axes.set_xlabel(text("plot.along-net-end"))
    axes.set_ylabel(text("plot.aside"))
    _plain(axes)


def _landings(axes: Any, ball: Drawn) -> None:
    """Draw the landings of one ball type and the ellipse that holds nine in ten of them."""
    points = ball.spread.points[:250]
    if len(points):
        axes.plot(100 * (points[:, 0] + NET_X_M), 100 * points[:, 1], ".", color=LIGHT, markersize=3)
    _ellipse(axes, ball, "solid")
    axes.legend(loc="upper left", bbox_to_anchor=(1.0, 1.0), frameon=False, fontsize=8)


def _ellipse(axes: Any, ball: Drawn, style: Any) -> None:
    """Draw an ellipse; the legend at the side names it by its line style, since labels would overlap."""
    e, found = ball.spread.ellipse, ball.spread
    if e is None or found.depth_m is None or found.side_m is None:
        return
    centre = (100 * (found.depth_m + NET_X_M), 100 * found.side_m)
    size = {"width": 200 * e.long_m, "height": 200 * e.short_m, "angle": e.angle_deg}
    axes.add_patch(EllipsePatch(centre, **size, fill=False, edgecolor=DARK, linewidth=1, linestyle=style, zorder=3))
    line = text("plot.ellipse", title=ball.name, depth_cm=100 * found.depth_m, share_percent=100 * found.share_good)
    axes.plot([], [], color=DARK, linewidth=1, linestyle=style, label=line)


def _plain(axes: Any) -> None:
    for name in ("top", "right"):
        axes.spines[name].set_visible(False)
    axes.tick_params(labelsize=8, colors=DARK)
