"""Changes in mid-drill: easier, harder, faster, slower, another ball, the next drill.

Rule of this file: easier and slower hold from the first ball whose wheels have not started; all else waits for the
end of the set or for a pause, and is announced. The plan comes finished from the planner and takes the old one's place
whole. Each change is told with the ball number it holds from, so that the seed and what was told give the run again.
"""

from dataclasses import dataclass
from typing import TYPE_CHECKING

from drillfeed.daemon.drills.ladder import rung_text
from drillfeed.daemon.engine.effects import Field
from drillfeed.daemon.engine.run import DrillRun
from drillfeed.daemon.engine.states import RUNNING
from drillfeed.daemon.planning.change import AT_ONCE
from drillfeed.daemon.planning.plan import DrillPlan, SetPlan
from drillfeed.protocol.errors import Refused

if TYPE_CHECKING:
    from drillfeed.daemon.engine.engine import Engine
    from drillfeed.daemon.engine.orders import Given

CUE = "change"


@dataclass(frozen=True)
class Wanted:
    """A plan that waits for its moment, with the verb and the person that asked for it."""

    plan: DrillPlan
    verb: str
    who: str


def based_on(engine: "Engine", verb: str) -> DrillPlan | None:
    """Return the plan that a change goes out from: the one in force, or the one that waits where this waits too."""
    return engine.plan if engine.wanted is None or verb in AT_ONCE else engine.wanted.plan


def change(engine: "Engine", given: "Given", now_s: float) -> str:
    """Take a changed plan: at once, or to wait for the end of the set or the pause."""
    plan, verb, who = given.plan, given.command.verb, given.caller.name
    if engine.plan is None or plan is None:
        raise Refused("no-drill", "no drill is loaded that could be changed", do="list drills, then: load NAME")
    run = _live(engine)
    if run is not None and run.plan is not engine.plan:
        raise Refused("busy", "a single ball is being thrown", do=f"when it has gone: {verb}")
    if given.base is not based_on(engine, verb):
        raise Refused("busy", "another change came in between", do=f"look at status, then: {verb}")
    if engine.state == "PAUSED" and not engine.parked:
        raise Refused("busy", "the driver has not yet said whether a last ball went", do=f"in a moment: {verb}")
    engine.wanted = Wanted(plan, verb, who)
    if engine.state in ("SPINUP", "FEEDING") and verb not in AT_ONCE:
        return _tell(engine, engine.wanted, "when the set is over, or at a pause", now_s, in_force=False)
    return take_wanted(engine, now_s) or ""


def take_wanted(engine: "Engine", now_s: float) -> str | None:
    """Put what waits into force for every ball that has no slot yet; return it in words, None where nothing waits."""
    wanted, engine.wanted = engine.wanted, None
    if wanted is None:
        return None
    engine.plan = wanted.plan
    run = _live(engine)
    if run is None:
        return _tell(engine, wanted, "from its start", now_s, n=1, set=1, after_balls=0)
    set_run = run.change(wanted.plan)
    n = set_run.next_n
    return _tell(engine, wanted, f"from ball {n}", now_s, n=n, set=run.index + 1, after_balls=set_run.taken)


def queue(engine: "Engine", given: "Given", now_s: float) -> str:
    """Take the drill that follows the running one, through a rest that waits for the player."""
    plan = given.plan
    assert plan is not None
    engine.queued = Wanted(plan, "queue", given.caller.name)
    text = f"{plan.drill.name} is next, after a rest that waits for ready; asked by {given.caller.name}"
    engine.tell(
        "change", text, now_s, CUE, change="queue", in_force=False, drill=plan.drill.name, seed=plan.seed,
        balls=plan.balls, who=given.caller.name,
    )  # fmt: skip
    return f"{plan.drill.name}: {plan.balls} balls, seed {plan.seed}, after the running drill and the player's ready"


def begin_queued(engine: "Engine", now_s: float) -> bool:
    """Make the queued drill the one that runs, where the one before it is over; return whether there was one."""
    queued, run = engine.queued, engine.run
    if queued is None or run is None or not run.is_over:
        return False
    engine.queued, engine.wanted = None, None
    engine.plan = queued.plan
    engine.run = DrillRun(queued.plan, now_s, engine.machine.sensors.exit_sensor)
    _tell(engine, queued, "from ball 1", now_s, n=1, set=1, after_balls=0)
    return True


def set_to_come(engine: "Engine") -> SetPlan:
    """Return the set that `ready` begins: the next of the running drill, or the first of the queued one."""
    run = engine.run
    assert run is not None
    return engine.queued.plan.sets[0] if engine.queued is not None and run.is_over else run.set_plan


def forget(engine: "Engine", now_s: float) -> None:
    """Forget what waits: the run it was meant for has ended. A queued drill is loaded, and starts by `start` alone."""
    if engine.queued is not None:
        engine.plan, name = engine.queued.plan, engine.queued.plan.drill.name
        engine.tell("change", f"{name} is loaded; it was next", now_s, change="load", in_force=False, drill=name)
    elif engine.wanted is not None:
        engine.tell("change", f"{engine.wanted.verb} comes to nothing: the run has ended", now_s, in_force=False)
    engine.queued = engine.wanted = None


def _live(engine: "Engine") -> DrillRun | None:
    """Return the run that is under way; one that has ended changes no more."""
    return engine.run if engine.state in RUNNING else None


def _tell(engine: "Engine", wanted: Wanted, when: str, now_s: float, in_force: bool = True, **where: Field) -> str:
    """Tell a change with everything that gives the run again; return it in words."""
    plan = wanted.plan
    run = _live(engine)
    one = plan.sets[run.index if run is not None else 0]
    tempo_per_min = round(60 / one.interval_s, 2)
    step = rung_text(plan.written or plan.drill, plan.changes.rung)
    named = f"{plan.changes.text} ({step})" if plan.changes.rung else plan.changes.text
    text = f"{wanted.verb} {when}: {named}, {tempo_per_min:.3g}/min; asked by {wanted.who}"
    engine.tell(
        "change",
        text,
        now_s,
        CUE,
        change=wanted.verb,
        in_force=in_force,
        who=wanted.who,
        drill=plan.drill.name,
        seed=plan.seed,
        rung=plan.changes.rung,
        step=step,
        tempo_change_per_min=plan.changes.tempo_per_min,
        swaps=plan.changes.swaps_text,
        tempo_per_min=tempo_per_min,
        **where,
    )
    return text
