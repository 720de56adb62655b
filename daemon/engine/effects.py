"""What the engine wants done by the shell: answers, notices, records. Frames collect in the driver link.

Rule of this file: an effect is a value. The engine never waits for one and never learns whether it happened.
"""

from collections.abc import Mapping
from dataclasses import dataclass, field

from drillfeed.protocol.lines import Reply

Field = str | int | float | bool | None


@dataclass(frozen=True)
class Event:
    """Something happened: told to watchers (`topic`, `text`, `cue`) and recorded with its `fields`."""

    at_s: float
    topic: str
    text: str
    cue: str | None = None
    fields: Mapping[str, Field] = field(default_factory=dict)


@dataclass
class Effects:
    """What has collected since it was last taken. `replies` pairs a token of the shell's with an answer."""

    replies: list[tuple[int, Reply]] = field(default_factory=list)
    events: list[Event] = field(default_factory=list)
