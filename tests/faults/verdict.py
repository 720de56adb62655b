"""What a scenario is, and how what was seen becomes a verdict.

Rule of this file: `holds` needs every check true *and* a machine that was awake; a check of time during which the
machine itself stalled for more than half its bound says nothing, and a breach of an invariant is never excused.
"""

import time
from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Literal

from drillfeed.daemon.library.loading import load_machine
from tests.faults.bench import Bench
from tests.support.driver_log import breaches, worst_wake_ms

Verdict = Literal["holds", "fails", "inconclusive"]
TICK_MS = 5.0


@dataclass(frozen=True)
class Seen:
    """The outcome of one run: a line of what was seen, and the verdict."""

    text: str
    verdict: Verdict


@dataclass(frozen=True)
class Scenario:
    """One row of the table. `ci`: short enough to run with the tests."""

    name: str
    injected: str
    expected: str
    run: Callable[[], Seen]
    ci: bool = False


@dataclass
class Account:
    """Collects the checks of one run against the driver's log."""

    bench: Bench
    words: list[str] = field(default_factory=list)
    problems: list[str] = field(default_factory=list)
    stalled: list[str] = field(default_factory=list)

    def within(
        self, what: str, from_s: float, at_s: float | None, bound_ms: float, driver_frozen: bool = False
    ) -> None:
        """Something must have happened at `at_s`, at most `bound_ms` after `from_s`; one tick of the driver is free.

        Where the bench froze the driver, the driver's own late wake is no sign of a machine that stalled.
        """
        if at_s is None:
            self.words.append(f"{what}: never")
            self.problems.append(what)
            return
        took_ms = (at_s - from_s) * 1000
        self.words.append(f"{what} {took_ms:.0f} ms")
        until_s = from_s + bound_ms / 1000
        own_ms = 0.0 if driver_frozen else worst_wake_ms(self.bench.log(), from_s, until_s)
        late_ms = max(own_ms, self.bench.machine_late_ms(from_s, until_s))
        if late_ms > bound_ms / 2:
            self.stalled.append(f"{what}: the machine stalled for {late_ms:.0f} ms")
        elif took_ms > bound_ms + TICK_MS:
            self.problems.append(f"{what}: bound {bound_ms:g} ms")

    def none(self, what: str, found: list[float], from_s: float = 0.0) -> None:
        """Nothing of a kind may have happened."""
        self.words.append(f"{what}: {'none' if not found else f'{len(found)}, first after {found[0] - from_s:.3f} s'}")
        if found:
            self.problems.append(what)

    def true(self, what: str, held: bool, found: object = None) -> None:
        """A condition must hold; `found` is shown."""
        self.words.append(f"{what}{'' if found is None else f': {found}'}" if held else f"NOT {what} ({found})")
        if not held:
            self.problems.append(what if found is None else f"{what} ({found})")

    def true_if_awake(self, what: str, held: bool, found: object, from_s: float, bound_ms: float) -> None:
        """A condition must hold that a machine which stalled for more than half of `bound_ms` since `from_s` breaks."""
        until_s = time.monotonic()
        late_ms = max(self.bench.machine_late_ms(from_s, until_s), worst_wake_ms(self.bench.log(), from_s, until_s))
        if held or late_ms <= bound_ms / 2:
            self.true(what, held, found)
        else:
            self.stalled.append(f"{what} ({found}): the machine stalled for {late_ms:.0f} ms")

    def seen(self) -> Seen:
        """Hold the whole log against the invariants as well, and return the outcome; the bench's folder reads `...`."""
        broken = breaches(self.bench.log(), load_machine(self.bench.machine).limits())
        words = "; ".join(self.words)
        verdict: Verdict = "holds"
        if broken or self.problems:
            words, verdict = f"{words}; WRONG: {'; '.join([*self.problems, *broken[:3]])}", "fails"
        elif self.stalled:
            words, verdict = f"{words}; {'; '.join(self.stalled)}", "inconclusive"
        return Seen(words.replace(str(self.bench.folder), "..."), verdict)
