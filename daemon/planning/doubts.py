"""What unknown values of a machine do to its tempo: how much longer two balls may need between them.

Rule of this file: pure, by the transitions that plans are made of.
"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import product

import numpy as np

from drillfeed.daemon.aim import spread
from drillfeed.daemon.aim.causes import Cause, causes_of, with_value
from drillfeed.daemon.aim.likely import Likely, likely_balls
from drillfeed.daemon.aim.spread import spread_of
from drillfeed.daemon.aim.thrower import thrower_of
from drillfeed.daemon.aim.unknown import unknown_of
from drillfeed.daemon.machine import Machine
from drillfeed.daemon.physics.launch import head_spin
from drillfeed.daemon.planning.plan import PlannedBall, SetPlan
from drillfeed.daemon.planning.setting import Setting
from drillfeed.daemon.planning.stretch import min_gap_s
from drillfeed.daemon.planning.transition import transition
from drillfeed.protocol.texts.catalogue import text

USUAL_SET = 20  # balls in a set, over which a crank by time drifts
DRAWS = 200
BALLS = 500  # flown for a share
LOW, HIGH = 0.05, 0.95


def slowest_gap_s(machine: Machine, settings: Sequence[Setting], turns: int = USUAL_SET) -> float:
    """Return the time that the slowest change between any two settings needs, from ball to ball."""
    spread_s = machine.feeder.spread_after_s(turns)
    slowest = max((transition(machine, a, b).seconds for a, b in product(settings, repeat=2)), default=0.0)
    return min_gap_s(machine, spread_s, slowest)


def tempo_cost_s(machine: Machine, cause: Cause, settings: Sequence[Setting]) -> float:
    """Return by how many seconds the slowest change differs if a value is off by one deviation, the worse way."""
    if not cause.tempo:
        return 0.0
    usual = slowest_gap_s(machine, settings)
    off = [with_value(machine, cause.path, max(cause.value + sign * cause.sd, 1e-3 * cause.value)) for sign in (-1, 1)]
    return max(abs(slowest_gap_s(changed, settings) - usual) for changed in off)


@dataclass(frozen=True)
class TempoRange:
    """Hold what the slowest change of a set may need in seconds, nine in ten, and what the plan gives it."""

    low_s: float
    high_s: float
    planned_s: float

    @property
    def text(self) -> str | None:
        """Return it as a line; None if the tempo is known to a twentieth of a second."""
        if self.high_s - self.low_s < 0.05:
            return None
        late = self.high_s - self.planned_s
        told = text("tempo.late", late=late) if late > 0.05 else ""
        return text("tempo.doubt", low_s=self.low_s, high_s=self.high_s, planned_s=self.planned_s, late=told)


def tempo_range(
    machine: Machine, settings: Sequence[Setting], planned_s: float, rng: np.random.Generator
) -> TempoRange | None:
    """Return what the slowest change may need on machines drawn from what is known of this one; None without marks."""
    causes = [cause for cause in causes_of(machine) if cause.tempo and cause.sd > 0.0]
    if not causes or not settings:
        return None
    needed = [slowest_gap_s(drawn, settings) for drawn in _drawn(machine, causes, rng)]
    low_s, high_s = np.quantile(needed, (LOW, HIGH))
    return TempoRange(float(low_s), float(high_s), planned_s)


def likely_throws(machine: Machine, sets: Sequence[SetPlan], seed: int) -> Iterator[tuple[str, Likely, float]]:
    """Yield each ball of some sets with the range of its landing and the share of throws that are good.

    Ranges hold what isn't known of machine and constants; the share also holds how throws differ.
    """
    thrower = thrower_of(machine)
    plain = {ball.key: ball for planned in reversed(sets) for ball in reversed(planned.balls)}
    throws = {key: _launch(plain[key]) for key in sorted(plain)}
    ranges = likely_balls(thrower, list(throws.values()), np.random.default_rng(seed))
    for (key, setting), likely in zip(throws.items(), ranges, strict=True):
        found = spread_of(thrower, setting, np.random.default_rng(seed), BALLS, unknown=unknown_of(thrower))
        yield plain[key].text, likely, found.share_good


def _launch(ball: PlannedBall) -> spread.Setting:
    setting, head = ball.setting, head_spin(ball.spin_revps, ball.side_revps)
    return spread.Setting(ball.speed_mps, head.revps, setting.tilt_deg, setting.pan_deg or 0.0, setting.roll_deg or 0.0)


def _drawn(machine: Machine, causes: Sequence[Cause], rng: np.random.Generator) -> Iterator[Machine]:
    for _ in range(DRAWS):
        changed = machine
        for cause in causes:
            value = cause.value + cause.sd * float(rng.standard_normal())
            changed = with_value(changed, cause.path, max(value, 0.1 * cause.value))
        yield changed
