"""How much time two balls need between them, and why a set runs slower than its drill asks for.

Rule of this file: the times depend on what the rules allow, never on what was drawn.
"""

import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from itertools import product

from drillfeed.daemon.drills.drill import Set
from drillfeed.daemon.drills.profiles import Profile
from drillfeed.daemon.drills.quota import QuotaSequence
from drillfeed.daemon.drills.scenario import ScenarioSequence
from drillfeed.daemon.drills.weighted import RandomSequence
from drillfeed.daemon.machine import Machine
from drillfeed.daemon.planning.allowed import Owner, min_interval_s, tempo_bound
from drillfeed.daemon.planning.setting import NotPossible, Setting
from drillfeed.daemon.planning.throws import Aimed
from drillfeed.daemon.planning.transition import Transition, transition
from drillfeed.protocol.texts.catalogue import text

Pair = tuple[str, str]
MIN_RISE_SHARE = 0.5  # of the rise of a tempo that must be left for the set to make sense: a default of ours
MAX_OFFERED = 4  # kinds of ball in an order that is offered
MIN_GAIN = 1.1  # by so much the balls of an order must come sooner for it to be offered: a default of ours


@dataclass(frozen=True)
class Stretch:
    """Why a set runs slower than its drill asks for, and whose limit holds it back."""

    asked_per_min: float
    runs_per_min: float
    reason: str
    pair: Pair | None = None
    lift: str | None = None
    by: Owner = "machine"
    rises: bool = False

    @property
    def text(self) -> str:
        """Return the reason as one line."""
        if self.rises:
            asked = f"{self.asked_per_min:g}/min"
            line = text("tempo.rises", runs_per_min=self.runs_per_min, asked=asked, reason=self.reason)
        elif self.by != "machine":
            return text(
                "tempo.by", asked_per_min=self.asked_per_min, runs_per_min=self.runs_per_min, reason=self.reason
            )
        else:
            line = text(
                "tempo.stretched", asked_per_min=self.asked_per_min, runs_per_min=self.runs_per_min, reason=self.reason
            )
        return f"{line}; {self.lift}" if self.lift else line


def min_gap_s(machine: Machine, spread_s: float, seconds: float) -> float:
    """Return the shortest time between two `leaves`: wait out the spread, change, settle, wait for the feeder."""
    feeder = machine.feeder
    return max(feeder.latency_s + spread_s + seconds, feeder.cycle_s + feeder.spread_s)


class Gaps:
    """The shortest gaps between the balls of one machine, worked out once for each pair of settings."""

    def __init__(self, machine: Machine) -> None:
        self._machine = machine
        self._known: dict[tuple[Setting, Setting], Transition] = {}
        self._slowest: dict[tuple[Aimed, Aimed], Transition] = {}

    def slowest(self, before: Aimed, after: Aimed) -> Transition:
        """Return the slowest change from any throw of one ball to any throw of another."""
        if (before, after) not in self._slowest:
            self._slowest[before, after] = self._look(before, after)
        return self._slowest[before, after]

    def _look(self, before: Aimed, after: Aimed) -> Transition:
        settings = product((throw.setting for throw in before.throws), (throw.setting for throw in after.throws))
        return max((self._transition(pair) for pair in settings), key=lambda moving: moving.seconds)

    def _transition(self, pair: tuple[Setting, Setting]) -> Transition:
        if pair not in self._known:
            self._known[pair] = transition(self._machine, *pair)
        return self._known[pair]

    def gap_s(self, before: Aimed, after: Aimed, spread_s: float) -> float:
        """Return the shortest time between two balls in seconds, whatever their variations."""
        return min_gap_s(self._machine, spread_s, self.slowest(before, after).seconds)


@dataclass(frozen=True)
class Rhythm:
    """The times of a set: `interval_s` at the tempo, and `min_wait_s`, the shortest wait.

    If the tempo rises, `last_interval_s` is the time before the last ball.
    """

    interval_s: float
    min_wait_s: float
    stretch: Stretch | None
    last_interval_s: float | None = None

    def gap_s(self, place: int, balls: int) -> float:
        """Return the time before the ball at a place of the set, the second ball being 1; a rise is even in tempo."""
        if self.last_interval_s is None or balls < 3:
            return self.interval_s
        first, last = 60 / self.interval_s, 60 / self.last_interval_s
        return 60 / (first + (last - first) * min((place - 1) / (balls - 2), 1.0))


def rhythm(
    part: Set, asked_per_min: float, vary_share: float, aimed: Mapping[str, Aimed], gaps: Gaps, spread_s: float,
    machine: Machine, follows: Iterable[tuple[str, str, float]], profile: Profile | None = None,
) -> Rhythm:  # fmt: skip
    """Return the even times of a set; raise NotPossible if its tempo should rise and can't.

    The slowest pair at the tempo, the slowest pair over a wait, and the player's limit decide. If the tempo varies, the
    interval is long enough that the shortest variation of it still suffices.
    """
    at_tempo = {(a, b) for a, b, wait_s in follows if not wait_s}
    over_wait = {(a, b) for a, b, wait_s in follows if wait_s} | (at_tempo if part.bursts else set())

    def gap_s(pair: Pair) -> float:
        return gaps.gap_s(aimed[pair[0]], aimed[pair[1]], spread_s)

    needed_s = max(map(gap_s, at_tempo), default=0.0) / (1 - vary_share)
    min_wait_s = max(max(map(gap_s, over_wait), default=0.0), min_interval_s(profile))
    ordered = sorted(at_tempo, key=lambda pair: (-gap_s(pair), pair))

    def held(wanted_per_min: float) -> tuple[float, Stretch | None]:
        """Return the interval at a tempo that is asked for, and why it is longer if it is."""
        bound = tempo_bound(wanted_per_min, 60 / needed_s if needed_s else None, profile, vary_share)
        if bound.by == "drill" or (needed_s <= 60 / wanted_per_min + 1e-9 and bound.by == "machine"):
            return 60 / wanted_per_min, None
        if profile is not None and bound.by == "player":
            between = text("tempo.between", max_per_min=profile.caps.max_per_min, vary_share=vary_share)
            owner = f"{profile.owner}{between if vary_share else ''}"
            return 60 / bound.highest, Stretch(wanted_per_min, bound.highest, owner, by=bound.by)
        return needed_s, _stretch(part, wanted_per_min, needed_s, ordered, aimed, gaps, spread_s, vary_share, machine)

    interval_s, stretch = held(asked_per_min)
    if not part.tempo_rise_per_min:
        return Rhythm(interval_s, min_wait_s, stretch)
    last_s, capped = held(asked_per_min + part.tempo_rise_per_min)
    if capped is not None and 60 / last_s - 60 / interval_s < MIN_RISE_SHARE * part.tempo_rise_per_min:
        raise NotPossible(
            text(
                "tempo.no-rise",
                asked_per_min=asked_per_min,
                last_per_min=asked_per_min + part.tempo_rise_per_min,
                why=capped.text,
            )
        )
    return Rhythm(interval_s, min_wait_s, capped and replace(capped, rises=True), last_s)


def _stretch(
    part: Set, asked_per_min: float, needed_s: float, ordered: list[Pair], aimed: Mapping[str, Aimed], gaps: Gaps,
    spread_s: float, vary_share: float, machine: Machine,
) -> Stretch:  # fmt: skip
    """Return why the set runs slower: the pair that limits the tempo, and the rule that would raise it."""
    before, after = ordered[0]
    feeder = machine.feeder
    varied = text("tempo.varied", vary_share=vary_share) if vary_share else ""
    moving = gaps.slowest(aimed[before], aimed[after])
    if min_gap_s(machine, spread_s, moving.seconds) <= feeder.cycle_s + feeder.spread_s:
        reason = text("tempo.feeder", high_balls_per_min=feeder.high_balls_per_min, varied=varied)
        return Stretch(asked_per_min, 60 / needed_s, reason)
    of_pair = text("tempo.pair", after=after, before=before) if before != after else before
    others = [gaps.gap_s(aimed[a], aimed[b], spread_s) / (1 - vary_share) for a, b in ordered[1:2]]
    lift = _lift(part, (before, after), needed_s, others)
    if lift is None and before != after:
        lift = _in_pairs(part, asked_per_min, needed_s, aimed, gaps, spread_s, vary_share, machine)
    return Stretch(asked_per_min, 60 / needed_s, f"{moving.text} ({of_pair}){varied}", (before, after), lift)


def _lift(part: Set, worst: Pair, needed_s: float, next_s: list[float]) -> str | None:
    """Say which rule would make a random set faster; None if no single rule would."""
    sequence = part.sequence
    if not isinstance(sequence, RandomSequence) or not next_s or worst[1] in sequence.after.get(worst[0], {}):
        return None
    barred = sequence.model_copy(update={"never": (*sequence.never, worst)})
    if barred.faults(part.balls, {}) or 60 / next_s[0] < 60 / needed_s + 0.5:
        return None
    return text("tempo.never", before=worst[0], after=worst[1], tempo_per_min=60 / next_s[0])


def _in_pairs(
    part: Set, asked_per_min: float, needed_s: float, aimed: Mapping[str, Aimed], gaps: Gaps,
    spread_s: float, vary_share: float, machine: Machine,
) -> str | None:  # fmt: skip
    """Offer an order that trains the same with half the changes: each ball twice, then a wait that covers any change.

    If the player doesn't know the order, the first ball of each pair stays unknown. None if little would be gained, and
    for a scenario with choices, which says itself what is known.
    """
    mentions = part.sequence.names()
    if isinstance(part.sequence, ScenarioSequence) and part.sequence.chooses:
        return None
    if part.bursts is not None or len(mentions) > MAX_OFFERED or any(" to " in mention for mention in mentions):
        return None
    alike_s = max(gaps.gap_s(aimed[name], aimed[name], spread_s) for name in mentions) / (1 - vary_share)
    alike_s = max(alike_s, 60 / asked_per_min)
    wait_s = math.ceil(10 * max(gaps.gap_s(aimed[a], aimed[b], spread_s) for a in mentions for b in mentions)) / 10
    if 2 * needed_s < MIN_GAIN * (alike_s + wait_s) or 60 / alike_s < machine.feeder.low_balls_per_min:
        return None
    pairs = [f'["{name}", "{name}"]' for name in mentions]
    if isinstance(part.sequence, RandomSequence | QuotaSequence):
        parts = f"{{ one_of = [{', '.join(pairs)}] }}, {{ wait_s = {wait_s:g} }}"
    else:
        parts = ", ".join(f"{pair[1:-1]}, {{ wait_s = {wait_s:g} }}" for pair in pairs)
    return text("tempo.in-pairs", tempo_per_min=60 / alike_s, wait_s=wait_s, parts=parts)
