"""The command `mark`: `made 14 of 20` of a set, or `made` of a ball; the last ball that went if none is named."""

from drillfeed.daemon.engine import decision as do
from drillfeed.daemon.engine.decision import Decision, decide
from drillfeed.daemon.engine.parts import Parts
from drillfeed.daemon.engine.request import Request
from drillfeed.daemon.engine.tally import Tally
from drillfeed.protocol.errors import refuse


def mark(parts: Parts, request: Request, now_s: float) -> Decision:
    """Take a mark of a ball or of a set; raise Refused if there is nothing that it could be about."""
    values, run = request.command.values, parts.practice.run
    tally = run.tally if run is not None else Tally()
    if not tally.set_of:
        raise refuse("mark.no-ball")
    if "count" in values:
        return _mark_set(tally, request)
    if "of" in values or "set" in values:
        raise refuse("mark.set-needs-count")
    n = request.number("ball") if "ball" in values else max(tally.set_of)
    if n not in tally.set_of:
        raise refuse("mark.ball-unknown", n=n, newest=max(tally.set_of))
    return decide(do.MarkBall(n, values["result"] == "made", request.caller.role))


def _mark_set(tally: Tally, request: Request) -> Decision:
    values = request.command.values
    if "ball" in values:
        raise refuse("mark.ball-with-count")
    number = request.number("set") if "set" in values else tally.set_of[max(tally.set_of)]
    fed, count = tally.fed(number), request.number("count")
    if not fed:
        raise refuse("mark.set-unknown", number=number)
    out_of = request.number("of") if "of" in values else fed
    if not count <= out_of <= fed:
        raise refuse("mark.too-many", number=number, fed=fed, at_most=min(out_of, fed), count=count, out_of=out_of)
    made = count if values["result"] == "made" else out_of - count
    return decide(do.MarkSet(number, made, out_of, request.caller.role))
