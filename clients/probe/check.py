"""One check: a row of the table that people read, and the steps that a bench takes."""

from collections.abc import Callable
from dataclasses import dataclass
from typing import Literal

from drillfeed.clients.probe.bench import Bench
from drillfeed.clients.probe.steps import Steps

Phase = Literal["disarmed", "armed", "feeding"]
PHASES: tuple[Phase, ...] = ("disarmed", "armed", "feeding")


@dataclass(frozen=True, slots=True)
class Check:
    """One rule of the link. `clause` names its place in LINK.md. `steps` returns what was seen, if the rule holds.

    Phase `disarmed` turns nothing; `armed` may turn wheels slowly; `feeding` may push balls.
    """

    name: str
    clause: str
    does: str
    expects: str
    steps: Callable[[Bench], Steps]
    phase: Phase = "disarmed"
