"""From a drill to a timed plan: the balls of each set, the even interval, the stretch and its reason.

Rule of this file: the interval of a set depends on what its rules *allow*, never on what was drawn, so
the tempo is the same for every seed. `leaves` is the moment when the ball is out of the wheels. The feeder
is actuated `latency_s` earlier. The axes hold still from then until `spread_s` after `leaves`.
"""

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from itertools import islice

import numpy as np

from drillfeed.daemon.drills.balls import BallType
from drillfeed.daemon.drills.drawing import Drawn
from drillfeed.daemon.drills.drill import Drill, Set
from drillfeed.daemon.drills.ladder import AS_WRITTEN, Changes, NoStep, paced, reshaped, tempo_change
from drillfeed.daemon.drills.players import RIGHT_HANDED, Player
from drillfeed.daemon.drills.profiles import Profile
from drillfeed.daemon.drills.sides import Side
from drillfeed.daemon.machine import Machine
from drillfeed.daemon.planning.allowed import cut_to_length, min_interval_s, next_step, notes_on_waits
from drillfeed.daemon.planning.setting import USUAL_STEP, NotPossible, Setting
from drillfeed.daemon.planning.stretch import Gaps, Rhythm, rhythm
from drillfeed.daemon.planning.stretch import Stretch as Stretch
from drillfeed.daemon.planning.throws import Aimed, aim_sets
from drillfeed.protocol.texts.catalogue import text


@dataclass(frozen=True)
class PlannedBall:
    """One ball of a set: its type, the setting that throws it, and the time since the ball before it.

    `fitted` says what was bent to fit the machine; it is empty if the ball is as written. `spin_revps` is its topspin.
    `side_revps` is its sidespin to the thrower's left, already turned for the player's hand.
    """

    ball: str
    title: str
    speed_mps: float
    spin_revps: float
    setting: Setting
    gap_s: float
    side: Side | None = None
    mention: str = ""
    side_revps: float = 0.0
    fitted: str = ""

    @property
    def key(self) -> str:
        """Return the ball's key in `SetPlan.min_gap_s`: its mention."""
        return self.mention or self.ball

    @property
    def text(self) -> str:
        """Return the ball's name, with the side if it is thrown to one."""
        return f"{self.ball} to {self.side}" if self.side else self.ball

    @property
    def told(self) -> str:
        """Return the ball's name with its side, and what was bent to fit the machine."""
        return f"{self.text}, {self.fitted}" if self.fitted else self.text


@dataclass(frozen=True)
class SetPlan:
    """A set ready to run. `min_gap_s` holds for any two of its balls, in either order."""

    number: int
    title: str
    balls: tuple[PlannedBall, ...]
    interval_s: float
    asked_per_min: float
    latency_s: float
    spread_s: float
    min_gap_s: Mapping[tuple[str, str], float]
    stretch: Stretch | None
    rest_s: float | None
    turns_before: int
    crank_to_mark_before: bool
    last_interval_s: float | None = None

    def tempo_text(self, places: int = 1) -> str:
        """Return the tempo in balls a minute: one figure, or from the first to the last ball if it rises."""
        last = (
            ""
            if self.last_interval_s is None
            else text("plan.to", tempo_per_min=60 / self.last_interval_s, places=places)
        )
        return f"{60 / self.interval_s:.{places}f}{last}"


@dataclass(frozen=True)
class DrillPlan:
    """A drill planned for one machine, one player and one seed.

    `drill` is what runs; `written` is the drill before `changes`. `turns` counts the turns of a crank by time before
    the drill begins.
    """

    drill: Drill
    machine: str
    seed: int
    sets: tuple[SetPlan, ...]
    written: Drill | None = None
    changes: Changes = AS_WRITTEN
    player: Player = RIGHT_HANDED
    turns: int = 0
    notes: tuple[str, ...] = ()

    @property
    def balls(self) -> int:
        """Return how many balls the whole plan throws."""
        return sum(len(set_plan.balls) for set_plan in self.sets)


def set_rng(seed: int, number: int, *purpose: int) -> np.random.Generator:
    """Return the random numbers of one set for one purpose; each purpose is independent of the others."""
    return np.random.Generator(np.random.PCG64(np.random.SeedSequence([seed, number, *purpose])))


VARIATION, BURSTS = 1, 2
"""Purposes of random numbers besides the sequence itself, so that variation never changes which balls come."""


def _crank_before(part: Set, number: int, turns: int, machine: Machine) -> tuple[int, bool]:
    """Return the crank's turns before this set, and whether it must be turned to its mark by hand first."""
    max_turns = machine.feeder.max_turns
    if max_turns is None:
        return 0, False
    if part.balls > max_turns:
        raise NotPossible(text("plan.crank", number=number, balls=part.balls, max_turns=max_turns))
    return (0, True) if turns + part.balls > max_turns else (turns, False)


def _with_bursts(drawn: Iterator[Drawn], part: Set, seed: int, number: int) -> Iterator[Drawn]:
    """Yield the balls with a pause after each burst; the length of each burst is drawn."""
    if part.bursts is None:
        yield from drawn
        return
    rng = set_rng(seed, number, BURSTS)
    left, wait_s = 0, 0.0
    for ball in drawn:
        if left == 0:
            left = int(rng.integers(part.bursts.min_balls, part.bursts.max_balls, endpoint=True))
            yield Drawn(ball.mention, ball.wait_s + wait_s)
            wait_s = part.bursts.pause_s
        else:
            yield ball
        left -= 1


def _planned(
    drawn: Iterator[Drawn], part: Set, aimed: Mapping[str, Aimed], times: Rhythm, vary_share: float,
    rng: np.random.Generator,
) -> Iterator[PlannedBall]:  # fmt: skip
    """Yield balls with their times and small variations; the first ball of a set is thrown as written."""
    for k, (mention, wait_s) in enumerate(drawn):
        aim = aimed[mention]
        share, chance = rng.uniform(-vary_share, vary_share), rng.random()
        throw = aim.throws[int(chance * len(aim.throws))] if k else aim.plain
        yield PlannedBall(
            ball=throw.ball.name,
            title=throw.ball.title,
            speed_mps=throw.ball.speed_mps,
            spin_revps=throw.ball.spin_revps,
            setting=throw.setting,
            gap_s=max(wait_s, times.min_wait_s) if wait_s else times.gap_s(k, part.balls) * (1 + share),
            side=aim.side,
            mention=mention,
            side_revps=throw.ball.side_revps,
            fitted=aim.fitted,
        )


def _within_time(balls: Iterator[PlannedBall], lasts_s: float | None) -> Iterator[PlannedBall]:
    """Yield the balls that leave within a time from the first, in seconds; all of them without a time."""
    time_s = 0.0
    for k, ball in enumerate(balls):
        time_s += ball.gap_s if k else 0.0
        if lasts_s is not None and time_s > lasts_s + 1e-9:
            return
        yield ball


class _Timing:
    """The times of sets, worked out once for equal sets."""

    def __init__(self, drill: Drill, balls: Mapping[str, BallType], machine: Machine, player: Player) -> None:
        self._drill, self._balls, self._machine, self._profile = drill, balls, machine, player.profile
        self._gaps = Gaps(machine)
        self._known: dict[tuple[int, float], tuple[Rhythm, Mapping[tuple[str, str], float]]] = {}

    def of(
        self, part: Set, aimed: Mapping[str, Aimed], spread_s: float
    ) -> tuple[Rhythm, Mapping[tuple[str, str], float]]:
        """Return the rhythm of a set and the shortest gap between any two of its balls."""
        if (id(part), spread_s) not in self._known:
            vary_share = self._drill.variation_of(part).tempo_share
            follows = part.sequence.follows(part.balls, self._balls)
            asked, gaps = self._drill.tempo_of(part), self._gaps
            times = rhythm(part, asked, vary_share, aimed, gaps, spread_s, self._machine, follows, self._profile)
            min_s = min_interval_s(self._profile)
            min_gap_s = {(a, b): max(gaps.gap_s(aimed[a], aimed[b], spread_s), min_s) for a in aimed for b in aimed}
            self._known[id(part), spread_s] = times, min_gap_s
        return self._known[id(part), spread_s]


def _check_feeder(times: Rhythm, number: int, machine: Machine, profile: Profile | None) -> None:
    feeder = machine.feeder
    if 60 / times.interval_s < feeder.low_balls_per_min - 1e-9:
        by_player = times.stretch is not None and times.stretch.by == "player"
        offered = times.stretch.lift if times.stretch else None
        lift = "" if by_player else f"; {offered or text('plan.feeder-lift')}"
        reach = {"low_balls_per_min": feeder.low_balls_per_min, "high_balls_per_min": feeder.high_balls_per_min}
        why = f"; {times.stretch.reason}" if times.stretch else ""
        raise NotPossible(
            text("plan.feeder", number=number, tempo_per_min=60 / times.interval_s, why=why, lift=lift, **reach),
            next_step(profile) if by_player and profile is not None else text(USUAL_STEP),
        )


def plan_sets(
    drill: Drill,
    balls: Mapping[str, BallType],
    machine: Machine,
    seed: int,
    turns: int = 0,
    player: Player = RIGHT_HANDED,
    notes: list[str] | None = None,
) -> Iterator[SetPlan]:
    """Yield the plan of each set in turn; raise NotPossible, with every reason, before the first.

    `turns` is how often a crank by time has turned since it last stood at its mark. `notes` collects what is left out.
    """
    drill, cut = cut_to_length(drill, player.profile)
    aimed_sets, found = aim_sets(drill, balls, machine, player)
    if notes is not None:
        notes.extend((*cut, *found, *notes_on_waits(drill, balls, player.profile)))
    timing = _Timing(drill, balls, machine, player)
    feeder = machine.feeder
    for number, (part, aimed) in enumerate(zip(drill.set, aimed_sets, strict=True), 1):
        turns, to_mark = _crank_before(part, number, turns, machine)
        spread_s = feeder.spread_after_s(turns + part.balls)
        times, min_gap_s = timing.of(part, aimed, spread_s)
        _check_feeder(times, number, machine, player.profile)
        vary_share = drill.variation_of(part).tempo_share
        in_sequence = part.sequence.draw(balls, set_rng(seed, number))
        drawn = _with_bursts(islice(in_sequence, part.balls), part, seed, number)
        balls_of_set = _planned(drawn, part, aimed, times, vary_share, set_rng(seed, number, VARIATION))
        planned = tuple(_within_time(balls_of_set, part.lasts_s))
        yield SetPlan(
            number=number,
            title=part.title,
            balls=planned,
            interval_s=times.interval_s,
            asked_per_min=drill.tempo_of(part),
            latency_s=feeder.latency_s,
            spread_s=spread_s,
            min_gap_s=min_gap_s,
            stretch=times.stretch,
            rest_s=part.rest_s,
            turns_before=turns,
            crank_to_mark_before=to_mark,
            last_interval_s=times.last_interval_s,
        )
        turns += len(planned)


def plan_drill(
    drill: Drill,
    balls: Mapping[str, BallType],
    machine: Machine,
    seed: int,
    turns: int = 0,
    player: Player = RIGHT_HANDED,
    changes: Changes = AS_WRITTEN,
) -> DrillPlan:
    """Return the whole plan of a drill, with changes, for the engine; raise NotPossible.

    A slower tempo counts from the tempo that the machine really runs at, so that a set already slowed down for the
    machine gets slower still.
    """
    notes: list[str] = []
    try:
        runs = reshaped(drill, changes)
        change = tempo_change(drill, changes)
        if change < 0:
            sets = plan_sets(runs, balls, machine, seed, turns, player)
            runs = paced(runs, change, [60 / set_plan.interval_s for set_plan in sets])
        elif change > 0:
            runs = paced(runs, change, [runs.tempo_of(part) for part in runs.set])
    except NoStep as error:
        raise NotPossible(str(error)) from None
    planned = tuple(plan_sets(runs, balls, machine, seed, turns, player, notes))
    return DrillPlan(runs, machine.name, seed, planned, drill, changes, player, turns, tuple(notes))
