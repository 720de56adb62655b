"""The probe without I/O: it runs the table of checks in order, on a clock that is passed in.

    probe = Probe("probe-5f0c", now)
    probe.receive(peer, frame, now)    # for each frame that came
    probe.advance(now)                 # every few milliseconds; then send probe.bench.out

Rule of this file: if this machine stalled during a check that did not hold, the check is tried again, then reported as
inconclusive. It never counts as a failure of the driver.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

from drillfeed.clients.probe import arming, coming_down, feeding, greeting, reading, sessions, throughout, turning
from drillfeed.clients.probe.bench import Bench
from drillfeed.clients.probe.check import PHASES, Check, Phase
from drillfeed.clients.probe.steps import Fails, NotKnown, NotReached, Steps

TABLE: tuple[Check, ...] = (
    *greeting.CHECKS,
    *sessions.CHECKS,
    *reading.CHECKS,
    *arming.CHECKS,
    *turning.CHECKS,
    *coming_down.CHECKS,
    *feeding.CHECKS,
    *throughout.CHECKS,
    *coming_down.LAST,
)
STALL_S = 0.020
TRIES = 3
Result = Literal["holds", "fails", "not reached", "not known", "inconclusive", "not run"]


@dataclass(frozen=True, slots=True)
class Row:
    """The result of one check."""

    check: Check
    result: Result
    saw: str


class Probe:
    """One run through the table; it waits before each phase until the phase is in `allowed` or is declined."""

    def __init__(
        self,
        name: str,
        now: float,
        can_freeze: bool = False,
        only: Sequence[str] = (),
        stall_s: float = STALL_S,
        balls: int = 0,
    ) -> None:
        """Begin with nothing checked. `only` names the checks to run (empty: all); `balls` says how many are loaded."""
        self.bench = Bench(name, now, can_freeze, balls)
        self.rows: list[Row] = []
        self.allowed: set[Phase] = {"disarmed"}
        self.declined: dict[Phase, str] = {}
        self.done = False
        self._left = [check for check in TABLE if not only or check.name in only]
        self._steps: Steps | None = None
        self._tries, self._stall_s = 0, stall_s

    @property
    def asks_for(self) -> Phase | None:
        """Return the phase that waits to be allowed or declined; None if no phase waits."""
        if self._steps is not None or not self._left:
            return None
        phase = self._left[0].phase
        return None if phase in self.allowed or phase in self.declined else phase

    def decline(self, phase: Phase, why: str) -> None:
        """Leave out a phase and the later ones, and say why."""
        for later in PHASES[PHASES.index(phase) :]:
            self.declined.setdefault(later, why)

    def receive(self, peer: bytes, frame: bytes, now: float) -> None:
        """Take a frame from a driver."""
        self.bench.receive(peer, frame, now)

    def advance(self, now: float) -> None:
        """Continue the current check, or begin the next."""
        self.bench.advance(now)
        if self.bench.peer is None or self.asks_for is not None:
            return
        if self._steps is None and not self._begin():
            return
        assert self._steps is not None
        try:
            next(self._steps)
        except StopIteration as end:
            self._end("holds", str(end.value))
        except Fails as error:
            self._end("fails", str(error))
        except NotReached as error:
            self._end("not reached", str(error))
        except NotKnown as error:
            self._end("not known", str(error))

    def _begin(self) -> bool:
        if not self._left:
            self.done = True
            return False
        check = self._left[0]
        if check.phase in self.declined:
            self._left.pop(0)
            self.rows.append(Row(check, "not run", self.declined[check.phase]))
            return False
        self.bench.stalls.begin()
        self._steps = check.steps(self.bench)
        return True

    def _end(self, result: Result, saw: str) -> None:
        self._steps = None
        self.bench.held, self.bench.frozen = None, False
        self._tries += 1
        stall_s = self.bench.stalls.worst_s(self._stall_s) if result in ("fails", "not reached") else None
        if stall_s is not None:
            if self._tries < TRIES:
                return
            result, saw = "inconclusive", f"{saw}; but this machine stalled for {stall_s * 1000:.0f} ms meanwhile"
        self._tries = 0
        self.rows.append(Row(self._left.pop(0), result, saw))

    def finish(self) -> None:
        """Add a row for each check that was not run; for a run that was broken off."""
        for check in self._left:
            self.rows.append(Row(check, "not run", "the run was broken off"))
        self._left, self._steps, self.done = [], None, True
