"""What breaking a sound driver takes: bending its frames, and putting something around its methods."""

import json
from collections.abc import Callable
from typing import Any

from drillfeed.clients.drivers.adapter import DriverCore
from drillfeed.protocol.link import FRAME_BYTES_MAX
from tests.probe.virtual_bench import Driver

Break = Callable[[DriverCore], Driver | None]


class Bent:
    """A driver whose frames are bent on their way in or out; either way may return None to lose one."""

    def __init__(
        self,
        core: DriverCore,
        told: Callable[[dict[str, Any]], dict[str, Any] | None] | None = None,
        read: Callable[[bytes, float], bytes | None] | None = None,
    ) -> None:
        self.core, self._told, self._read = core, told, read

    def receive(self, frame: bytes, now: float) -> list[bytes]:
        bends = self._read is not None and len(frame) <= FRAME_BYTES_MAX
        given = self._read(frame, now) if bends else frame
        return [] if given is None else self._out(self.core.receive(given, now))

    def tick(self, now: float) -> list[bytes]:
        return self._out(self.core.tick(now))

    def _out(self, frames: list[bytes]) -> list[bytes]:
        if self._told is None:
            return frames
        bent = [self._told(json.loads(frame)) for frame in frames]
        return [json.dumps(frame).encode() for frame in bent if frame is not None]


def message_of(frame: bytes) -> dict[str, Any]:
    """Return a frame as an object; an empty one where it is none."""
    try:
        told = json.loads(frame)
    except (ValueError, RecursionError):
        return {}
    return told if isinstance(told, dict) else {}


def around(thing: Any, name: str, new: Callable[..., Any]) -> None:
    """Put `new(old, ...)` in the place of a method."""
    old = getattr(thing, name)
    setattr(thing, name, lambda *words, **more: new(old, *words, **more))
