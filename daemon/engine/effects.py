"""What the engine wants done by the shell: answers and events. Frames collect in the driver link.

Rule of this file: an effect is a value. The engine never waits for one and never learns whether it happened.
"""

from dataclasses import dataclass, field

from drillfeed.daemon.engine.events import Event
from drillfeed.protocol.lines import Reply


@dataclass
class Effects:
    """What has collected since it was last taken. `replies` pairs a token of the shell's with an answer."""

    replies: list[tuple[int, Reply]] = field(default_factory=list)
    events: list[Event] = field(default_factory=list)
