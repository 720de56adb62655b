"""From a drill to a timed plan: the balls of each set, the even interval, the stretch and its reason.

Rule of this file: the interval of a set depends on what its rules *allow*, never on what was drawn, so
the tempo is the same for every seed. Moments: `leaves` is when the ball is out of the wheels; the feeder
is actuated `latency_s` earlier, at most 20 ms late or not at all; the axes hold still from then until the
latest moment the ball can leave: `leaves`, that lateness, and `spread_s`.
"""

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from itertools import islice

import numpy as np

from drillfeed.daemon.drills.balls import BallType
from drillfeed.daemon.drills.drill import Drill, RandomOrder, Set
from drillfeed.daemon.drills.orders import ORDERS, Pairs
from drillfeed.daemon.machine import Machine
from drillfeed.daemon.planning.setting import NotPossible, Setting, setting_for
from drillfeed.daemon.planning.transition import Transition, transition
from drillfeed.protocol.link import LATE_S


@dataclass(frozen=True)
class PlannedBall:
    """One ball of a set: its type, the setting that throws it, the time since the ball before it."""

    ball: str
    title: str
    speed_mps: float
    spin_revps: float
    setting: Setting
    gap_s: float


@dataclass(frozen=True)
class Stretch:
    """Why a set runs slower than its drill asks for."""

    asked_per_min: float
    runs_per_min: float
    reason: str
    pair: tuple[str, str] | None = None
    lift: str | None = None

    @property
    def text(self) -> str:
        """Return the whole story as one line."""
        line = (
            f"{self.asked_per_min:g}/min is not possible for this mix on this machine; "
            f"running at {self.runs_per_min:.1f}/min: {self.reason}"
        )
        return f"{line}; {self.lift}" if self.lift else line


@dataclass(frozen=True)
class SetPlan:
    """A set ready to run. `least_gap_s` holds for any two of its balls, in whatever order they end up."""

    number: int
    title: str
    balls: tuple[PlannedBall, ...]
    interval_s: float
    asked_per_min: float
    latency_s: float
    spread_s: float
    least_gap_s: Mapping[tuple[str, str], float]
    stretch: Stretch | None
    rest_s: float | None
    turns_before: int
    rephase_before: bool


@dataclass(frozen=True)
class DrillPlan:
    """A drill made ready for one machine and one seed."""

    drill: Drill
    machine: str
    seed: int
    sets: tuple[SetPlan, ...]

    @property
    def balls(self) -> int:
        """Return how many balls the whole plan throws."""
        return sum(len(one.balls) for one in self.sets)


def set_rng(seed: int, number: int) -> np.random.Generator:
    """Return the source of chance of one set: each set has its own, so changing one leaves the others alone."""
    return np.random.Generator(np.random.PCG64(np.random.SeedSequence([seed, number])))


class _Gaps:
    """The least gaps between ball types on one machine, worked out once a pair."""

    def __init__(self, machine: Machine, settings: Mapping[str, Setting]) -> None:
        self._machine, self._settings = machine, settings
        self._known: dict[tuple[str, str], Transition] = {}

    def transition(self, pair: tuple[str, str]) -> Transition:
        if pair not in self._known:
            self._known[pair] = transition(self._machine, self._settings[pair[0]], self._settings[pair[1]])
        return self._known[pair]

    def gap_s(self, pair: tuple[str, str], spread_s: float) -> float:
        """Return the least time between two `leaves`: hold out the spread, change, settle, wait for the feeder."""
        feeder = self._machine.feeder
        held_s = feeder.latency_s + LATE_S + spread_s
        return max(held_s + self.transition(pair).seconds, feeder.cycle_s + feeder.spread_s)


def _stretch(one: Set, asked_per_min: float, pairs: Pairs, gaps: _Gaps, spread_s: float, machine: Machine) -> Stretch:
    """Name the pair that decides the tempo, and the rule that would lift it."""
    ordered = sorted(pairs, key=lambda pair: (-gaps.gap_s(pair, spread_s), pair))
    worst = ordered[0]
    needed_s = gaps.gap_s(worst, spread_s)
    moving = gaps.transition(worst)
    feeder = machine.feeder
    if needed_s <= feeder.cycle_s + feeder.spread_s:
        return Stretch(asked_per_min, 60 / needed_s, f"the feeder makes {feeder.high_balls_per_min:g}/min at most")
    before, after = worst
    reason = f"{moving.text} ({after} after {before})" if before != after else f"{moving.text} ({before})"
    return Stretch(asked_per_min, 60 / needed_s, reason, worst, _lift(one, worst, ordered, gaps, spread_s))


def _lift(one: Set, worst: tuple[str, str], ordered: list[tuple[str, str]], gaps: _Gaps, spread_s: float) -> str | None:
    """Say which ordering rule would make a random set faster, if one rule would."""
    order = one.order
    if not isinstance(order, RandomOrder):
        return None
    barred = order.model_copy(update={"never": (*order.never, worst)})
    if ORDERS["random"].faults(barred) or len(ordered) < 2:
        return None
    better = 60 / gaps.gap_s(ordered[1], spread_s)
    if better < 60 / gaps.gap_s(worst, spread_s) + 0.5:
        return None
    return f'a rule never = [["{worst[0]}", "{worst[1]}"]] would lift it to {better:.1f}/min'


def _settings(drill: Drill, balls: Mapping[str, BallType], machine: Machine) -> dict[str, Setting]:
    settings, faults = {}, []
    for name in drill.ball_names():
        if name not in balls:
            faults.append(f"no ball type is called {name}")
            continue
        try:
            settings[name] = setting_for(balls[name], machine)
        except NotPossible as refusal:
            faults.append(f"{name}: {refusal}")
    for number, one in enumerate(drill.set, 1):
        faults += [f"set {number}: {fault}" for fault in ORDERS[one.order.kind].faults(one.order)]
    if faults:
        raise NotPossible("; ".join(faults))
    return settings


def _rephase(one: Set, number: int, turns: int, machine: Machine) -> tuple[int, bool]:
    """Return the crank's turns before this set, and whether it must be re-phased by hand first."""
    most = machine.feeder.most_turns
    if most is None:
        return 0, False
    if one.balls > most:
        raise NotPossible(
            f"set {number} has {one.balls} balls; this crank by time drifts too far after {most} turns; "
            f"give the set at most {most} balls and re-phase between sets"
        )
    return (0, True) if turns + one.balls > most else (turns, False)


def plan_sets(
    drill: Drill, balls: Mapping[str, BallType], machine: Machine, seed: int, turns: int = 0
) -> Iterator[SetPlan]:
    """Yield the plan of each set in turn; raise NotPossible with every reason before the first.

    `turns` is how often a crank by time has turned since it last stood at its mark.
    """
    settings = _settings(drill, balls, machine)
    gaps = _Gaps(machine, settings)
    feeder = machine.feeder
    for number, one in enumerate(drill.set, 1):
        turns, rephase = _rephase(one, number, turns, machine)
        spread_s = feeder.spread_after_s(turns + one.balls)
        kind = ORDERS[one.order.kind]
        asked = one.tempo_per_min or drill.tempo_per_min
        pairs = kind.pairs(one.order, one.balls)
        needed_s = max((gaps.gap_s(pair, spread_s) for pair in pairs), default=0.0)
        stretch = _stretch(one, asked, pairs, gaps, spread_s, machine) if needed_s > 60 / asked + 1e-9 else None
        interval_s = max(60 / asked, needed_s)
        if 60 / interval_s < feeder.low_balls_per_min - 1e-9:
            raise NotPossible(
                f"set {number} would run at {60 / interval_s:.1f}/min; this feeder makes {feeder.low_balls_per_min:g} "
                f"to {feeder.high_balls_per_min:g}/min{'; ' + stretch.reason if stretch else ''}; "
                f"leave out the pair or bring the two balls nearer to each other"
            )
        drawn = islice(kind.draw(one.order, balls, set_rng(seed, number)), one.balls)
        names = kind.names(one.order)
        yield SetPlan(
            number=number,
            title=one.title,
            balls=tuple(
                PlannedBall(
                    ball=name,
                    title=balls[name].title,
                    speed_mps=balls[name].speed_mps,
                    spin_revps=balls[name].spin_revps,
                    setting=settings[name],
                    gap_s=interval_s,
                )
                for name in drawn
            ),
            interval_s=interval_s,
            asked_per_min=asked,
            latency_s=feeder.latency_s,
            spread_s=spread_s,
            least_gap_s={(a, b): gaps.gap_s((a, b), spread_s) for a in names for b in names},
            stretch=stretch,
            rest_s=one.rest_s,
            turns_before=turns,
            rephase_before=rephase,
        )
        turns += one.balls


def plan_drill(drill: Drill, balls: Mapping[str, BallType], machine: Machine, seed: int, turns: int = 0) -> DrillPlan:
    """Return the whole plan at once, for the engine."""
    return DrillPlan(drill, machine.name, seed, tuple(plan_sets(drill, balls, machine, seed, turns)))
