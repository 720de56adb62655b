"""The result of a probe run: a table for people, JSON for programs, an exit status.

Rule of this file: a check counts as held only if it was seen to hold.
"""

import json
from collections import Counter
from collections.abc import Sequence
from textwrap import wrap

from drillfeed.clients.probe.probe import TABLE, Result, Row
from drillfeed.protocol.link import DriverHello
from drillfeed.protocol.plain import plain

HOLDS, FAILS, NO_DRIVER = 0, 1, 3
BAD: tuple[Result, ...] = ("fails", "not reached", "inconclusive")
MARKS: dict[Result, str] = {
    "holds": "holds",
    "fails": "FAILS",
    "not reached": "NOT REACHED",
    "not known": "not known",
    "inconclusive": "INCONCLUSIVE",
    "not run": "not run",
}
WIDTH = 118
COUNTED: tuple[tuple[Result, str], ...] = (
    ("holds", "hold"),
    ("fails", "fail"),
    ("not reached", "not reached"),
    ("inconclusive", "inconclusive because this machine stalled"),
    ("not known", "not known from here"),
    ("not run", "not run"),
)


def first_bad(rows: Sequence[Row]) -> Row | None:
    """Return the first check that does not hold.

    An inconclusive check comes last, because it says nothing about the driver.
    """
    bad = [row for row in rows if row.result in BAD]
    return next((row for row in bad if row.result != "inconclusive"), bad[0] if bad else None)


def exit_status(rows: Sequence[Row]) -> int:
    """Return 0 if each check that was run holds or can't be judged from here, else 1."""
    return HOLDS if first_bad(rows) is None else FAILS


def row_text(row: Row) -> str:
    """Return one row for people."""
    head = f"{MARKS[row.result]:<14}{row.check.name:<21}{row.check.clause:<9}"
    lines = wrap(plain(row.saw), WIDTH - len(head)) or [""]
    return ("\n" + " " * len(head)).join([head + lines[0], *lines[1:]])


def verdict_text(rows: Sequence[Row], hello: DriverHello | None) -> str:
    """Return the verdict for people: counts, the first failure with its clause, its likely consequences."""
    counts = Counter(row.result for row in rows)
    told = ", ".join(f"{counts[result]} {words}" for result, words in COUNTED if counts[result])
    lines = ["", f"{hello.driver if hello else 'the driver'}: {told}."]
    bad = first_bad(rows)
    if bad is None:
        if counts["not known"] or counts["not run"]:
            lines.append("Checks that are not known or were not run have not passed: see those rows.")
        return "\n".join(lines)
    check = bad.check
    lines += [
        "",
        f"first: {check.name}, {check.clause} of LINK.md",
        f"  done      {check.does}",
        f"  expected  {check.expects}",
        f"  seen      {plain(bad.saw)}",
    ]
    again = [row.check.name for row in rows if row.result == "inconclusive"]
    later = [row.check for row in rows if row.result in BAD and row is not bad and row.result != "inconclusive"]
    if later:
        named = ", ".join(f"{check.name} ({check.clause})" for check in later)
        lines += ["", *wrap(f"perhaps only consequences: {named}", WIDTH)]
    if bad.result == "inconclusive":
        lines += ["", f"Next: probe again when this machine has less to do: --only {' '.join(again)}"]
    else:
        lines += ["", "Next: fix the first failure, then probe again; --only NAME runs one check."]
    return "\n".join(lines)


def verdict_json(rows: Sequence[Row], hello: DriverHello | None) -> str:
    """Return all that was found as one JSON object."""
    bad = first_bad(rows)
    return json.dumps(
        {
            "driver": None if hello is None else hello.model_dump(mode="json", exclude_none=True),
            "holds": bad is None,
            "first": None if bad is None else bad.check.name,
            "consequences": [
                row.check.name for row in rows if row.result in ("fails", "not reached") and row is not bad
            ],
            "inconclusive": [row.check.name for row in rows if row.result == "inconclusive"],
            "checks": [
                {
                    "name": row.check.name,
                    "clause": row.check.clause,
                    "phase": row.check.phase,
                    "does": row.check.does,
                    "expects": row.check.expects,
                    "result": row.result,
                    "saw": row.saw,
                }
                for row in rows
            ],
        },
        indent=2,
    )


def table_text() -> str:
    """Return the table of all checks for people."""
    names, clauses = max(len(check.name) for check in TABLE), max(len(check.clause) for check in TABLE)
    does = max(len(check.does) for check in TABLE)
    return "\n".join(
        f"{check.name:<{names}}  {check.clause:<{clauses}}  {check.phase:<8}  {check.does:<{does}}  {check.expects}"
        for check in TABLE
    )
