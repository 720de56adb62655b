"""A driver on the virtual clock whose statuses are bent on their way: it says what a test puts into its mouth."""

import json
from collections.abc import Callable, Sequence
from typing import Any

from drillfeed.daemon.simulation import Side
from tests.support.halls import WatchedHall

StatusFields = dict[str, Any]


def bend(hall: WatchedHall, bent: Callable[[StatusFields], None]) -> None:
    """Let `bent` change each status, and each hello, that goes to the daemon from now on."""
    send = hall.hall._send

    def spoken(to: Side, frames: Sequence[bytes], now_s: float) -> None:
        send(to, [_bent(frame, bent) for frame in frames] if to == "daemon" else frames, now_s)

    hall.hall._send = spoken  # type: ignore[method-assign]


def _bent(frame: bytes, bent: Callable[[StatusFields], None]) -> bytes:
    told = json.loads(frame)
    bent(told)
    return json.dumps(told).encode()


def turning(wheel: str, rpm: float, honest: bool = True) -> Callable[[StatusFields], None]:
    """Return what shows a wheel at `rpm`; a driver that is honest says then that it is not at rest."""

    def bent(told: StatusFields) -> None:
        if told["kind"] == "status":
            told[wheel]["measured_rpm"] = rpm
            if honest:
                told["at_rest"] = False

    return bent
