"""What to practise today: the journal's estimates, the machine's pace and a player's limits, joined to one drill.

Rule of this file: it computes and proposes. The drill it returns is loaded and started by a person like any other. The
time of the plan is that of the drill's own rehearsal with its rests.
"""

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from drillfeed.daemon.drills.balls import LEVELS, BallType
from drillfeed.daemon.drills.bounds import HARD_MAX_BALLS, HARD_MAX_MINUTES, HARD_MAX_PER_MIN
from drillfeed.daemon.drills.drill import Drill
from drillfeed.daemon.drills.players import Player, for_player
from drillfeed.daemon.journal.knowledge import Knowledge
from drillfeed.daemon.journal.season_rows import season_of
from drillfeed.daemon.learning.model import estimates, follow
from drillfeed.daemon.learning.planner import (
    USUAL_TEMPO_PER_MIN,
    CheckSet,
    Pace,
    Plan,
    PlannedSet,
    Wanted,
    plan_session,
)
from drillfeed.daemon.learning.scores import Standing
from drillfeed.daemon.machine import Machine
from drillfeed.daemon.planning.allowed import check_ball
from drillfeed.daemon.planning.plan import SetPlan, plan_sets
from drillfeed.daemon.planning.setting import NotPossible, setting_for
from drillfeed.daemon.validation import validate

MIN_TYPES = 4
"""A player who knows fewer types is offered the easiest others until there are so many."""
CHECK_TYPES = 4
LONGEST_SET_BALLS = 60
SEED = 1
COUNTDOWN_S = 10.0
BENT = 10.0
"""From this much spin in rev/s a ball counts as topspin or backspin."""


@dataclass(frozen=True)
class Ask:
    """What a person asks for. `left` names what is left to each warning; `weights` is the coach's focus."""

    minutes: float
    balls: int
    hopper: int | None = None
    left: tuple[tuple[str, int], ...] = ()
    weights: Mapping[str, float] | None = None


@dataclass(frozen=True)
class Today:
    """A plan, the standings it came from, and the drill with its rehearsal."""

    plan: Plan
    standings: tuple[Standing, ...]
    drill: Drill
    sets: tuple[SetPlan, ...]
    data: dict[str, Any]


def todays_plan(
    ask: Ask, knowledge: Knowledge, balls: Mapping[str, BallType], machine: Machine, player: Player, name: str
) -> Today:
    """Return the plan and its drill, called `name`; raise TooShort, NotPossible or InvalidFile."""
    possible = {ball.name: ball for ball in balls.values() if _can(ball, machine, player, balls)}
    if not possible:
        raise NotPossible("this machine throws no ball type that this player may get")
    standings = _standings(knowledge, possible, ask.weights or {})
    caps = player.profile.caps if player.profile else None
    bounds = [("the balls you gave", ask.balls), ("the most balls of a drill", HARD_MAX_BALLS), *ask.left]
    if ask.hopper is not None:
        bounds.append(("the hopper", ask.hopper))
    longest = [(caps.max_set_balls, player.profile.owner)] if caps and player.profile else []
    longest += [(LONGEST_SET_BALLS, "the longest set")]
    max_turns = machine.feeder.max_turns
    longest += [(max_turns, "the crank")] if max_turns is not None else []
    wanted = Wanted(
        ask.minutes,
        tuple(bounds),
        *min(longest),
        min(caps.max_per_min if caps else HARD_MAX_PER_MIN, HARD_MAX_PER_MIN),
        player.profile is not None and player.profile.level == "junior",
        knowledge.rest_s,
        _check(knowledge, possible, standings),
    )

    def pace(part: PlannedSet) -> Pace:
        # A crank by time scatters most before it is turned to its mark, so that is what the set must stand.
        turns = 0 if max_turns is None else max(max_turns - part.balls, 0)
        drill = validate(Drill, _drill("pace", (part,), possible), name)
        (found,) = plan_sets(drill, balls, machine, SEED, turns, player)
        return Pace(found.interval_s, COUNTDOWN_S)

    def can(part: PlannedSet) -> bool:
        try:
            pace(part)
        except NotPossible:
            return False
        return True

    tempo = min(wanted.max_per_min, USUAL_TEMPO_PER_MIN)
    pairs: dict[frozenset[str], bool] = {}

    def mixes(ball: str, other: str) -> bool:
        key = frozenset((ball, other))
        if key not in pairs:
            pairs[key] = can(PlannedSet("focus", "random", (ball, other), 20, tempo))
        return pairs[key]

    check = wanted.check
    if check is not None and not can(PlannedSet("check", "fixed", check.balls[:1], 20, tempo, 0.0, check.balls)):
        wanted = replace(wanted, check=None)
    plan = plan_session(wanted, standings, pace, mixes)
    data = _drill(name, plan.sets, possible)
    drill = validate(Drill, data, name)
    sets = tuple(plan_sets(drill, balls, machine, SEED, player=player))
    # A crank by time scatters more in a longer set, so the rehearsal of the whole drill has the last word.
    paces = tuple(Pace(part.interval_s, drill.start_delay_s) for part in sets)
    return Today(replace(plan, paces=paces), standings, drill, sets, data)


def _can(ball: BallType, machine: Machine, player: Player, balls: Mapping[str, BallType]) -> bool:
    """Tell whether the machine throws a ball type and the player may get it."""
    try:
        setting_for(for_player(ball, player), machine)
        check_ball(ball, machine, player.profile, balls)
    except NotPossible:
        return False
    return True


def _standings(
    knowledge: Knowledge, possible: Mapping[str, BallType], weights: Mapping[str, float]
) -> tuple[Standing, ...]:
    by_ease = sorted(possible, key=lambda name: possible[name].ease)
    known = [name for name in knowledge.types if name in possible]
    more = [name for name in by_ease if name not in known][: max(MIN_TYPES - len(known), 0)]
    found = knowledge.estimates
    if more:
        season = season_of(knowledge.sets, knowledge.today, [*knowledge.types, *more])
        found = {one.ball: one for one in estimates(follow(season).last, season.types, season.usual())}
    return tuple(
        Standing(
            found[name],
            knowledge.marked.get(name, 0),
            (knowledge.today - knowledge.last_day[name]).days if name in knowledge.last_day else None,
            knowledge.share_then(name) if name in knowledge.types else None,
            weights.get(name, 1.0),
            knowledge.tempo.get(name),
            _gentler(name, possible, [*known, *more, *by_ease]),
            by_ease.index(name),
        )
        for name in dict.fromkeys([*known, *more])
    )


def _kind(ball: BallType) -> int:
    return int(np.sign(ball.spin_revps)) if abs(ball.spin_revps) >= BENT else 0


def _gentler(name: str, possible: Mapping[str, BallType], names: list[str]) -> str | None:
    """Return the hardest ball of the same kind of spin that is easier than a ball; None if there is none."""
    ball = possible[name]
    easier = [other for other in names if _kind(possible[other]) == _kind(ball) and possible[other].ease < ball.ease]
    return max(easier, key=lambda other: possible[other].ease, default=None)


def _check(knowledge: Knowledge, possible: Mapping[str, BallType], standings: tuple[Standing, ...]) -> CheckSet | None:
    """Return the check set of the last time, or one of the types that were thrown most."""
    last = knowledge.check_set()
    if last is not None and set(last.balls) <= set(possible):
        return last
    types = [standing.ball for standing in standings if standing.marked_balls][:CHECK_TYPES]
    if len(types) < 2:
        return None
    row = np.resize(np.array(types), 20)
    order = np.random.default_rng(SEED).permutation(row)
    return CheckSet(tuple(map(str, order)), 30.0)


def _drill(name: str, sets: tuple[PlannedSet, ...], possible: Mapping[str, BallType]) -> dict[str, Any]:
    """Return a drill of these sets as the data of its file; its rests wait for the player."""
    level = max((LEVELS.index(possible[ball].level) for part in sets for ball in part.types), default=0)
    return {
        "name": name,
        "title": "Practice of the day",
        "level": LEVELS[level],
        "tempo_per_min": min(part.tempo_per_min for part in sets),
        "start_delay_s": COUNTDOWN_S,
        "max_balls": sum(part.balls for part in sets),
        "max_minutes": HARD_MAX_MINUTES,
        "set": [_set(part) for part in sets],
    }


def _set(part: PlannedSet) -> dict[str, Any]:
    sequence: dict[str, Any]
    if part.written:
        sequence = {"kind": "fixed", "balls": list(part.written)}
    elif part.order == "random" and len(part.types) > 1:
        sequence = {"kind": "random", "weights": {ball: 1 + (ball == part.types[0]) for ball in part.types}}
    else:
        sequence = {"kind": "rotating" if part.order == "rotating" else "fixed", "balls": list(part.types)}
    known: dict[str, Any] = {"title": part.kind, "balls": part.balls, "tempo_per_min": part.tempo_per_min}
    flags = {"warm-up": {"warm_up": True}, "check": {"check_set": True}, "focus": {}}[part.kind]
    return {**known, **flags, "sequence": sequence}


def as_toml(data: Mapping[str, Any]) -> str:
    """Write the data of a drill as a TOML file."""
    lines = [f"{key} = {_value(value)}" for key, value in data.items() if key != "set"]
    for part in data["set"]:
        lines += ["", "[[set]]", *(f"{key} = {_value(value)}" for key, value in part.items() if key != "sequence")]
        lines += ["[set.sequence]", *(f"{key} = {_value(value)}" for key, value in part["sequence"].items())]
    return "\n".join(lines) + "\n"


def _value(value: object) -> str:
    if isinstance(value, bool):
        return str(value).lower()
    if isinstance(value, str):
        return f'"{value}"'
    if isinstance(value, list):
        return f"[{', '.join(map(_value, value))}]"
    if isinstance(value, dict):
        return f"{{ {', '.join(f'{key} = {_value(item)}' for key, item in value.items())} }}"
    return repr(value)
