"""Changes while a drill runs: the current plan and a request give the next plan.

Rule of this file: a plan never changes; a new plan takes its place. The same drill, seed and changes give the same
plan. So the balls that were thrown can be worked out from these and from the ball at which each change took effect.
"""

from collections import defaultdict
from collections.abc import Mapping
from dataclasses import replace
from itertools import product

from drillfeed.daemon.drills.balls import BallType
from drillfeed.daemon.drills.ladder import TEMPO_STEP_PER_MIN, Changes, NoStep, one_rung
from drillfeed.daemon.machine import Machine
from drillfeed.daemon.planning.allowed import cut_to_length, next_step
from drillfeed.daemon.planning.plan import DrillPlan, SetPlan, plan_drill
from drillfeed.daemon.planning.setting import USUAL_STEP, NotPossible, Setting
from drillfeed.daemon.planning.stretch import min_gap_s
from drillfeed.daemon.planning.transition import transition
from drillfeed.protocol.texts.catalogue import text

AT_ONCE = frozenset({"easier", "slower"})
"""Commands that hold from the first ball whose wheels have not started; the others wait for a set's end or a pause."""


def wished(plan: DrillPlan, verb: str, swap: tuple[str, str] | None = None) -> Changes:
    """Return the changes that a verb asks for on top of a plan's; raises NoStep."""
    written, changes = plan.written or plan.drill, plan.changes
    if verb in ("easier", "harder"):
        return one_rung(written, changes, 1 if verb == "harder" else -1)
    if verb in ("slower", "faster"):
        step = TEMPO_STEP_PER_MIN if verb == "faster" else -TEMPO_STEP_PER_MIN
        return replace(changes, tempo_per_min=changes.tempo_per_min + step)
    assert swap is not None
    return replace(changes, swaps=(*changes.swaps, swap))


def change_plan(
    plan: DrillPlan,
    verb: str,
    balls: Mapping[str, BallType],
    machine: Machine,
    swap: tuple[str, str] | None = None,
) -> DrillPlan:
    """Return the plan that a verb asks for; raise NotPossible if there is none, or if nothing would change.

    Its gaps also hold between a ball of the old plan and a ball of the new one, since the plans can meet inside a set.
    """
    try:
        changes = wished(plan, verb, swap)
    except NoStep as error:
        raise NotPossible(str(error)) from None
    new = plan_drill(plan.written or plan.drill, balls, machine, plan.seed, plan.turns, plan.player, changes)
    if _alike(plan, new):
        stretches = dict.fromkeys(set_plan.stretch.text for set_plan in new.sets if set_plan.stretch)
        cuts = cut_to_length(new.drill, plan.player.profile)[1] if verb in ("easier", "harder") else ()
        why = "; ".join((*stretches, *cuts)) or text(
            "change.at-most", name=new.drill.name, max_per_min=new.drill.max_per_min
        )
        limits = {set_plan.stretch.by for set_plan in new.sets if set_plan.stretch} | ({"player"} if cuts else set())
        profile = plan.player.profile
        step = next_step(profile) if profile is not None and limits == {"player"} else text(USUAL_STEP)
        raise NotPossible(text("change.nothing", verb=verb, why=why), step)
    sets = tuple(_bridged(old_set, new_set, machine) for old_set, new_set in zip(plan.sets, new.sets, strict=True))
    return replace(new, sets=sets)


def _alike(old: DrillPlan, new: DrillPlan) -> bool:
    return all(a.balls == b.balls and a.interval_s == b.interval_s for a, b in zip(old.sets, new.sets, strict=True))


def _bridged(old: SetPlan, new: SetPlan, machine: Machine) -> SetPlan:
    """Return the new set, with the shortest gap for every pair of balls of the old and the new set."""
    if old.balls == new.balls:
        return new
    settings: defaultdict[str, set[Setting]] = defaultdict(set)
    for ball in (*old.balls, *new.balls):
        settings[ball.key].add(ball.setting)
    gaps = {
        (a, b): max(
            min_gap_s(machine, new.spread_s, transition(machine, *pair).seconds)
            for pair in product(settings[a], settings[b])
        )
        for a in settings
        for b in settings
    }
    met = {pair: max(gap_s, new.min_gap_s.get(pair, 0.0)) for pair, gap_s in gaps.items()}
    return replace(new, min_gap_s={**new.min_gap_s, **met})


def turns_after(plan: DrillPlan | None) -> int:
    """Return how often a crank by time has turned when a plan is over; 0 without a plan."""
    return plan.sets[-1].turns_before + len(plan.sets[-1].balls) if plan is not None else 0
