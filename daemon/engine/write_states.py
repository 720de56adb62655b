"""`python -m drillfeed.daemon.engine.write_states`: write STATES.md from the state table, or check that it is current.

Rule of this file: the document says what the table says; nothing is written by hand.
"""

import sys
from collections.abc import Sequence
from pathlib import Path
from typing import get_args

from drillfeed.daemon.engine.states import ENDS_ARMED, MACHINE_EVENTS, PERSON_EVENTS, TABLE
from drillfeed.protocol.generated import write_or_check
from drillfeed.protocol.status import State

DOCUMENT = Path(__file__).with_name("STATES.md")
STATES: tuple[State, ...] = get_args(State)
# In every state; drawn once, in words, so that the diagram stays readable.
EVERYWHERE = ("stop", "fault")
HEAD = """\
# States and what leads from one to the next

Written by `python -m drillfeed.daemon.engine.write_states` from `states.py`; a test keeps it current.

A pair of state and event that is not listed changes nothing. Events in `code` are a person's (a command); events in
*italics* are the machine's own. Of these only *at_speed*, out of a spin-up that a person began, and *rest_timed_out*,
inside a start that a person gave, lead towards feeding.
"""


def _shown(event: str) -> str:
    return f"`{event}`" if event in PERSON_EVENTS else f"*{event}*"


def diagram() -> str:
    """Return the table as a diagram, without stop and fault."""
    ways: dict[tuple[str, str], list[str]] = {}
    for (state, event), then in TABLE.items():
        if event not in EVERYWHERE:
            ways.setdefault((state, then), []).append(event)
    lines = [f"    {state} --> {then}: {', '.join(events)}" for (state, then), events in ways.items()]
    return "\n".join(["```mermaid", "stateDiagram-v2", "    [*] --> OFFLINE", *lines, "```"])


def rows() -> str:
    """Return the table as a table: a row a state."""
    lines = ["| in | on | to |", "|---|---|---|"]
    for state in STATES:
        ways = [(event, TABLE[state, event]) for event in (*PERSON_EVENTS, *MACHINE_EVENTS) if (state, event) in TABLE]
        for place, (event, then) in enumerate(ways):
            lines.append(f"| {state if place == 0 else ''} | {_shown(event)} | {then} |")
    return "\n".join(lines)


def document() -> str:
    """Return the whole document."""
    stops = ", ".join(f"{state} to {TABLE[state, 'stop']}" for state in STATES if TABLE[state, "stop"] != "STOPPING")
    notes = (
        f"Not drawn: `stop` leads from every state to STOPPING (but {stops}), and\n"
        "*fault* to QUICKSTOP (from OFFLINE and FAULT to FAULT). *at_rest_armed* follows only where the newest event\n"
        f"that led into STOPPING was {_shown(ENDS_ARMED)}: after a stop or a disarm the thrower is armed anew by hand."
    )
    return f"{HEAD}\n{diagram()}\n\n{notes}\n\n{rows()}\n"


def main(argv: Sequence[str] | None = None) -> int:
    """Write the document; with --check say whether it is current (exit 1 where it is not)."""
    return write_or_check("drillfeed.daemon.engine.write_states", {DOCUMENT: document()}, argv)


if __name__ == "__main__":
    sys.exit(main())
