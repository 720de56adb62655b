"""What is told of a change: all that, with the seed, gives the run again."""

from typing import Literal

from drillfeed.daemon.drills.ladder import rung_text
from drillfeed.daemon.engine.events import ChangeInForce, ChangeWaits
from drillfeed.daemon.engine.parts import Parts
from drillfeed.daemon.engine.practice import WaitingChange


def change_waits(parts: Parts, change: WaitingChange, now_s: float) -> ChangeWaits:
    """Return what is told while a change waits for the end of the set or for a pause."""
    plan, told = change.plan, change.plan.changes
    step, named = _named(change)
    return ChangeWaits(
        at_s=now_s,
        change=change.verb,
        in_force=False,
        who=change.who,
        drill=plan.drill.name,
        seed=plan.seed,
        rung=told.rung,
        step=step,
        tempo_change_per_min=told.tempo_per_min,
        swaps=told.swaps_text,
        tempo_per_min=_tempo_per_min(parts, change),
        named=named,
    )


def change_in_force(
    parts: Parts, change: WaitingChange, moment: Literal["start", "queued", "running"], now_s: float
) -> ChangeInForce:
    """Return what is told when a change comes into force: of a loaded drill, a queued one or the running one."""
    plan, told = change.plan, change.plan.changes
    step, named = _named(change)
    run = parts.live_run if moment == "running" else None
    return ChangeInForce(
        at_s=now_s,
        change=change.verb,
        in_force=True,
        who=change.who,
        drill=plan.drill.name,
        seed=plan.seed,
        rung=told.rung,
        step=step,
        tempo_change_per_min=told.tempo_per_min,
        swaps=told.swaps_text,
        tempo_per_min=_tempo_per_min(parts, change),
        n=1 if run is None else run.set_run.next_n,
        set=1 if run is None else run.index + 1,
        after_balls=0 if run is None else run.set_run.taken,
        named=named,
        moment=moment,
    )


def _named(change: WaitingChange) -> tuple[str, str]:
    """Return what the newest step does, and the changes in words."""
    plan = change.plan
    step = rung_text(plan.written or plan.drill, plan.changes.rung)
    return step, f"{plan.changes.text} ({step})" if plan.changes.rung else plan.changes.text


def _tempo_per_min(parts: Parts, change: WaitingChange) -> float:
    run = parts.live_run
    set_plan = change.plan.sets[run.index if run is not None else 0]
    return round(60 / set_plan.interval_s, 2)
