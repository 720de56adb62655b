"""The journal for people and for programs: aligned tables, stacked on a narrow screen, JSON and CSV.

Rule of this file: what is not known is left blank. The output is text only, without colour.
"""

import csv
import io
import json
import re
import textwrap
from collections.abc import Iterable, Sequence
from dataclasses import asdict
from datetime import datetime
from typing import Any

from drillfeed.daemon.journal.limits import Limits, warnings_of
from drillfeed.daemon.journal.reading import Load, Session, SessionRow, SetRow, Share
from drillfeed.protocol.plain import cell, plain
from drillfeed.protocol.texts.catalogue import text

GAP = "  "
_FIGURE = re.compile(r"[+-]?[0-9.]+( of [0-9]+| %|/min)?")
Table = Sequence[Sequence[object]]


def table_lines(head: Sequence[str], rows: Table, width: int, spare: Sequence[str] = ()) -> list[str]:
    """Write a table as aligned columns; `head` and `spare` hold names of columns, whose words are `column.NAME`.

    If it is too wide, the columns named in `spare` are left out one after another. If it is still too wide, each row is
    written with one name and value a line.
    """
    cells = [["" if value is None else plain(str(value)) for value in row] for row in rows]
    if not cells:
        return []
    words = [text(f"column.{name}") for name in head]
    kept = list(range(len(head)))
    for name in ("", *spare):
        kept = [n for n in kept if head[n] != name]
        widths = {n: max(len(row[n]) for row in (words, *cells)) for n in kept}
        if sum(widths.values()) + len(GAP) * (len(kept) - 1) <= width:
            right = {n for n in kept if all(_is_figure(row[n]) for row in cells)}
            aligned = (
                [row[n].rjust(widths[n]) if n in right else row[n].ljust(widths[n]) for n in kept]
                for row in (words, *cells)
            )
            return [GAP.join(row).rstrip() for row in aligned]
    return _stacked(words, cells, width)


def _stacked(words: Sequence[str], cells: Sequence[Sequence[str]], width: int) -> list[str]:
    names = max(map(len, words)) + len(GAP)
    lines: list[str] = []
    for row in cells:
        for name, value in zip(words, row, strict=True):
            lines += textwrap.wrap(
                value or " ", width, initial_indent=f"{name:<{names}}", subsequent_indent=" " * names
            ) or [name]
        lines.append("")
    return lines[:-1]


def sessions_lines(found: Sequence[SessionRow], loads: Sequence[Load], limits: Limits, width: int) -> list[str]:
    """Write the list of sessions, then the balls of the day and of seven days."""
    head = ("session", "began", "minutes", "player", "drills", "sets", "balls", "seen", "made", "faults", "note")
    rows = [
        (
            session.id,
            _day_and_time(session.began_at),
            round((session.last_at - session.began_at) / 60),
            ", ".join(session.players),
            ", ".join(session.drills),
            session.sets,
            session.commanded,
            session.seen,
            made_text(session.made, session.out_of),
            session.faults or None,
            text("report.is-simulated") if session.simulated else None,
        )
        for session in found
    ]
    lines = table_lines(head, rows, width, ("note", "minutes", "seen", "faults", "sets")) or [text("report.no-session")]
    return [*lines, "", *loads_lines(loads, limits, width)]


def loads_lines(loads: Sequence[Load], limits: Limits, width: int) -> list[str]:
    """Write the balls of today and of seven days for each player, with the warnings."""
    head = ("player", "balls-today", "seven-days", "simulated-today")
    rows = [
        (load.player or text("report.nobody"), load.today, load.seven_days, load.simulated_today or None)
        for load in loads
    ]
    lines = table_lines(head, rows, width, ("simulated-today",)) or [text("report.no-balls")]
    for line in warnings_of(loads, limits):
        lines += textwrap.wrap(plain(text("report.warning", text=line)), width)
    return lines


def shares_lines(shares: Sequence[Share], width: int) -> list[str]:
    """Write the share made by ball type, with how many the share is of."""
    head = ("ball", "commanded", "marked", "made", "share")
    rows = [
        (
            share.ball,
            share.commanded,
            share.marked or None,
            share.made,
            None if share.percent is None else f"{share.percent:.0f} %",
        )
        for share in shares
    ]
    return table_lines(head, rows, width)


def session_lines(found: Session, width: int) -> list[str]:
    """Write one session in full."""
    session = found.session
    began, ended = _day_and_time(session.began_at), _time(session.last_at)
    title = text(
        "report.session",
        number=session.id,
        began=began,
        ended=ended,
        machine=session.machine,
        simulated=text("report.simulated") if session.simulated else "",
    )
    lines = textwrap.wrap(plain(title), width)
    parts: list[tuple[str, list[str]]] = [
        (text("report.sets"), _set_table(found.sets, width)),
        (text("report.balls"), _throw_table(found, width)),
        (text("report.made-by-type"), shares_lines(found.shares, width)),
        (text("report.marks"), _mark_table(found, width)),
        (
            text("report.changes"),
            table_lines(("at", "ball", "what"), [_pick(c, "at n what") for c in found.changes], width),
        ),
        (text("report.faults"), _fault_table(found, width)),
        (text("report.commands"), _command_table(found, width)),
    ]
    for name, table in parts:
        lines += ["", name, *(table or [text("report.none")])]
    return lines


def today_lines(
    found: Sequence[SessionRow], loads: Sequence[Load], shares: Sequence[Share], limits: Limits, width: int = 76
) -> list[str]:
    """Write a short report of today's practice."""
    lines = sessions_lines(found, loads, limits, width)
    table = shares_lines(shares, width)
    return [*lines, "", *table] if table else lines


def made_text(made: int | None, out_of: int | None) -> str:
    """Write `14 of 20`, or nothing if nothing was marked."""
    return "" if made is None else text("report.of", made=made, out_of=out_of)


def as_json(**parts: object) -> str:
    """Write rows of the journal as one JSON object; what is not known is null."""
    return json.dumps({name: _plain(part) for name, part in parts.items()}, indent=2)


def as_csv(rows: Iterable[object]) -> str:
    """Write rows as CSV (RFC 4180) with a head line; what is not known is an empty field."""
    given = [_plain(row) for row in rows]
    written = io.StringIO()
    if given:
        writer = csv.writer(written)
        writer.writerow(given[0])
        writer.writerows([_field(value) for value in row.values()] for row in given)
    return written.getvalue()


def _plain(part: Any) -> Any:
    if isinstance(part, (list, tuple)):
        return [_plain(item) for item in part]
    given = asdict(part) if hasattr(part, "__dataclass_fields__") else dict(part) if hasattr(part, "keys") else part
    if isinstance(part, Share):
        given["percent"] = None if part.percent is None else round(part.percent, 1)
    return given


def _field(value: object) -> object:
    return cell("; ".join(map(str, value)) if isinstance(value, (list, tuple)) else value)


def _set_table(sets: Sequence[SetRow], width: int) -> list[str]:
    thrown = ("commanded", "seen", "made", "not-thrown")
    head = ("at", "set", "drill", "seed", "player", "level", "tempo", "balls", *thrown)
    rows = [
        (
            _time(set_row.began_at),
            f"{set_row.number}"
            if set_row.of_sets is None
            else text("report.of-sets", number=set_row.number, of_sets=set_row.of_sets),
            set_row.drill,
            set_row.seed,
            set_row.player,
            set_row.level,
            None if set_row.tempo_per_min is None else f"{set_row.tempo_per_min:.3g}/min",
            set_row.balls,
            set_row.commanded,
            set_row.seen,
            made_text(set_row.made, set_row.out_of),
            set_row.refused + set_row.skipped + set_row.unknown or None,
        )
        for set_row in sets
    ]
    return table_lines(head, rows, width, ("at", "seed", "tempo", "level", "not-thrown", "balls", "seen"))


def _throw_table(found: Session, width: int) -> list[str]:
    numbers = {set_row.id: set_row.number for set_row in found.sets}
    bends = any(throw["side_revps"] for throw in found.throws)
    side = ["side"] if bends else []
    head = ("at", "set", "ball", "type", "commanded", "seen", "made", "m/s", "rev/s", *side, "tilt", "note")
    yes_no = {1: text("report.yes"), 0: text("report.no"), None: ""}
    rows = [
        (
            _time(throw["at"]),
            numbers.get(throw["set_id"]),
            throw["n"],
            throw["ball"],
            yes_no[throw["commanded"]],
            yes_no[throw["seen"]],
            yes_no[throw["made"]],
            _figure(throw["speed_mps"], "{:.1f}"),
            _figure(throw["spin_revps"], "{:+.0f}"),
            *([_figure(throw["side_revps"], "{:+.0f}")] if bends else []),
            _figure(throw["tilt_deg"], "{:.1f}"),
            "; ".join(filter(None, (throw["fitted"], throw["reason"]))),
        )
        for throw in found.throws
    ]
    return table_lines(head, rows, width, ("tilt", "side", "rev/s", "m/s", "note", "at", "commanded"))


def _mark_table(found: Session, width: int) -> list[str]:
    numbers = {set_row.id: set_row.number for set_row in found.sets}
    balls = {throw["id"]: throw["n"] for throw in found.throws}
    rows = [
        (
            _time(mark["at"]),
            numbers.get(mark["set_id"]),
            balls.get(mark["throw_id"]),
            made_text(mark["made"], mark["out_of"]),
            mark["marked_by"],
        )
        for mark in found.marks
    ]
    return table_lines(("at", "set", "ball", "made", "by"), rows, width)


def _fault_table(found: Session, width: int) -> list[str]:
    # The messages before a fault are long, so only --json has them. A journal of an older version has no next step.
    rows = [[*_pick(fault, "at cause what"), fault.get("next_step")] for fault in found.faults]
    return table_lines(("at", "cause", "what", "next"), rows, width, ("at",))


def _command_table(found: Session, width: int) -> list[str]:
    rows = [
        (
            _time(command["at"]),
            command["line"],
            command["role"],
            command["came_from"],
            "done" if command["code"] is None else f"no {command['code']} {command['code_name']}",
        )
        for command in found.commands
    ]
    return table_lines(("at", "line", "role", "from", "answer"), rows, width, ("from", "at"))


def _pick(row: Any, names: str) -> list[object]:
    return [_time(row[name]) if name == "at" else row[name] for name in names.split()]


def _figure(value: float | None, form: str) -> str:
    return "" if value is None else form.format(value)


def _is_figure(text: str) -> bool:
    return not text or _FIGURE.fullmatch(text) is not None


def _day_and_time(at: float) -> str:
    return f"{datetime.fromtimestamp(at):%Y-%m-%d %H:%M}"


def _time(at: float) -> str:
    return f"{datetime.fromtimestamp(at):%H:%M:%S}"
