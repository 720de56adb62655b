"""Changes in mid-drill: easier, harder, faster, slower, another ball, the next drill.

Rule of this file: easier and slower hold from the first ball whose wheels have not started; all else waits for the end
of the set or for a pause, and is announced. The planner hands over a finished plan, which replaces the old one whole.
"""

from drillfeed.daemon.engine import decision as do
from drillfeed.daemon.engine.change_events import change_waits
from drillfeed.daemon.engine.decision import Decision, decide
from drillfeed.daemon.engine.events import DrillQueued
from drillfeed.daemon.engine.parts import Parts
from drillfeed.daemon.engine.practice import WaitingChange
from drillfeed.daemon.engine.request import Request
from drillfeed.daemon.engine.wording import sentence
from drillfeed.daemon.planning.change import AT_ONCE
from drillfeed.daemon.planning.plan import DrillPlan
from drillfeed.protocol.errors import refuse
from drillfeed.protocol.texts.catalogue import text


def based_on(parts: Parts, verb: str) -> DrillPlan | None:
    """Return the plan that a change starts from: the one in force, or the waiting one if this change waits too."""
    waiting = parts.practice.waiting
    return parts.practice.plan if waiting is None or verb in AT_ONCE else waiting.plan


def change(parts: Parts, request: Request, now_s: float) -> Decision:
    """Take a changed plan: at once, or to wait for the end of the set or the pause."""
    plan, verb, practice = request.plan, request.command.verb, parts.practice
    if practice.plan is None or plan is None:
        raise refuse("change.no-drill")
    run = parts.live_run
    if run is not None and run.plan is not practice.plan:
        raise refuse("change.one-ball", verb=verb)
    if request.base is not based_on(parts, verb):
        raise refuse("change.another", verb=verb)
    if parts.mode.state == "PAUSED" and not practice.open_feeds_settled:
        raise refuse("change.unsettled", verb=verb)
    waiting = WaitingChange(plan, verb, request.caller.name)
    if parts.mode.state in ("SPINUP", "FEEDING") and verb not in AT_ONCE:
        event = change_waits(parts, waiting, now_s)
        return decide(do.WaitChange(waiting), do.Tell(event), answer=sentence(event))
    return decide(do.WaitChange(waiting), do.TakeWaiting())


def queue(parts: Parts, request: Request, now_s: float) -> Decision:
    """Take the drill that follows the running one, after a rest that waits for the player."""
    plan, who = request.plan, request.caller.name
    assert plan is not None
    event = DrillQueued(now_s, "queue", False, plan.drill.name, plan.seed, plan.balls, who)
    drill = {"drill": plan.drill.name, "balls": plan.balls, "seed": plan.seed}
    said = text("queue.done", **drill)
    return decide(do.QueueDrill(WaitingChange(plan, "queue", who)), do.Tell(event), answer=said)
