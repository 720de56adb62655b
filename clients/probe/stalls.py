"""Whether the machine kept up while a check was run: what excuses a driver, and what does not.

    the probe itself ran late                              a stall of this machine in any case
    a status came later than those before it, by the       a stall if processes waited for a processor meanwhile,
    driver's clock or on its way, or a pong took as long   or if the system does not count such waiting

Rule of this file: only the machine excuses a driver. If nothing waited on the machine, the driver made the pause
itself.
"""

from collections import deque
from collections.abc import Callable
from statistics import median

USUAL = 50
Waited = Callable[[], float | None]


class Stalls:
    """The worst of each kind since the check began, in seconds."""

    def __init__(self) -> None:
        """Begin as on a machine that does not count waiting."""
        self.waited_s: Waited = lambda: None
        self._own_s = self._driver_s = 0.0
        self._waited_before_s: float | None = None
        self._newest: tuple[float, float] | None = None
        self._gaps: deque[float] = deque(maxlen=USUAL)
        self._ways: deque[float] = deque(maxlen=USUAL)

    def begin(self) -> None:
        """Begin to watch, for the next check."""
        self._own_s = self._driver_s = 0.0
        self._waited_before_s = self.waited_s()

    def own_turn(self, after_s: float) -> None:
        """Take that the probe ran again, `after_s` after its last turn."""
        self._own_s = max(self._own_s, after_s)

    def pong(self, round_trip_s: float) -> None:
        """Take that a pong came back."""
        self._driver_s = max(self._driver_s, round_trip_s)

    def forget(self) -> None:
        """Forget past statuses: the driver was frozen on purpose, or another driver came."""
        self._newest = None
        self._gaps.clear()
        self._ways.clear()

    def status(self, told_s: float, came_s: float) -> None:
        """Take that a status came at `came_s`, which the driver sent at `told_s` of its own clock."""
        if self._newest is not None and told_s < self._newest[0]:
            self.forget()
        if self._newest is not None:
            gap_s, way_s = told_s - self._newest[0], came_s - told_s
            if self._gaps:
                self._driver_s = max(self._driver_s, gap_s - median(self._gaps), way_s - min(self._ways))
            self._gaps.append(gap_s)
            self._ways.append(way_s)
        self._newest = (told_s, came_s)

    def worst_s(self, bound_s: float) -> float | None:
        """Return the longest stall over `bound_s` since the check began; None if the machine kept up."""
        if self._own_s > bound_s:
            return max(self._own_s, self._driver_s)
        return self._driver_s if self._driver_s > bound_s and self._busy(bound_s) else None

    def _busy(self, bound_s: float) -> bool:
        """Tell whether processes waited for a processor for that long in all; True if the system does not count it."""
        after_s = self.waited_s()
        if after_s is None or self._waited_before_s is None:
            return True
        return after_s - self._waited_before_s > bound_s


def waited_for_processor_s(path: str = "/proc/pressure/cpu") -> float | None:
    """Return for how long, since the start, some process of this system has waited for a processor.

    Source: the kernel's pressure stall information, `total` of the line `some`, in microseconds. None without it.
    """
    try:
        with open(path, encoding="ascii") as file:  # noqa: PTH123
            words = file.readline().split()
    except (OSError, UnicodeDecodeError):
        return None
    told = [word.removeprefix("total=") for word in words if word.startswith("total=")]
    return int(told[0]) / 1e6 if words[:1] == ["some"] and told and told[0].isdecimal() else None
