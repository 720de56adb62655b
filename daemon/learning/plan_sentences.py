"""One sentence of reason for each part of a plan, from a fixed set, with its figures.

Rule of this file: a share is never told without its interval and the number of marked balls behind it. No praise and
no forecast. Times are told as `about`, because rests scatter.
"""

from collections.abc import Sequence

from drillfeed.daemon.learning.planner import CHECK_BALLS, Plan, PlannedSet
from drillfeed.daemon.learning.report import short_text
from drillfeed.daemon.learning.scores import Standing

LONG_AGO_DAYS = 21.0
FEW_BALLS = 40


def share_text(standing: Standing) -> str:
    """Write `58 % (48 to 68, 140 marked)`."""
    return short_text(standing.estimate, standing.marked_balls)


def focus_sentence(standing: Standing, standings: Sequence[Standing]) -> str:
    """Return why a type is in the focus."""
    low, high = standing.estimate.outer
    harder = [other for other in standings if other.too_hard and other.gentler == standing.ball]
    marked = [other for other in standings if other.marked_balls]
    if harder:
        return f"{standing.ball} in place of {harder[0].ball}, of which {share_text(harder[0])} are made; gentler first"
    if not standing.marked_balls:
        return f"{standing.ball}: never marked so far, so anything from {100 * low:.0f} to {100 * high:.0f} %"
    if standing.days is not None and standing.days >= LONG_AGO_DAYS and standing.share_then is not None:
        return (
            f"{standing.ball}: not thrown for {standing.days:.0f} days; {100 * standing.share_then:.0f} % then, today "
            f"anything from {100 * low:.0f} to {100 * high:.0f} %, {standing.marked_balls} marked"
        )
    if standing.marked_balls < FEW_BALLS:
        return f"{standing.ball}: {share_text(standing)}, little known yet"
    if standing is min(marked, key=lambda other: other.estimate.share):
        return f"{standing.ball}: {share_text(standing)}, the lowest of what you train"
    if standing.need >= 0.5:
        return f"{standing.ball}: {share_text(standing)}, under three in four"
    return f"{standing.ball}: {share_text(standing)}, the next in turn"


def set_text(part: PlannedSet) -> str:
    """Write what a set throws: `20 balls at 30/min, random: heavy-push, rally-topspin`."""
    types = ", ".join(part.types)
    return f"{part.balls} balls at {part.tempo_per_min:g}/min, {'written' if part.written else part.order}: {types}"


def plan_lines(plan: Plan, standings: Sequence[Standing]) -> list[str]:
    """Return the plan for people: each part with its reason, then the sum and the bounds."""
    lines = []
    if plan.sets[0].kind == "warm-up":
        of_it = f"{share_text(plan.warm_up)}; " if plan.warm_up.marked_balls else ""
        lines += [f"warm-up: {plan.warm_up.ball}, {of_it}not part of any estimate"]
    lines += [focus_sentence(standing, standings) for standing in plan.focus]
    check = plan.wanted.check
    if check is not None and any(part.kind == "check" for part in plan.sets):
        lines += [f"check set: {check_sentence(check.days)}"]
    lines += ["", *(f"set {number}: {set_text(part)}" for number, part in enumerate(plan.sets, 1)), ""]
    lines += [f"{plan.balls} balls in about {plan.total_s / 60:.0f} minutes, rests of about {plan.wanted.rest_s:.0f} s"]
    return lines + [f"bound by {bound}" for bound in plan.stopped_by]


def check_sentence(days: Sequence[str]) -> str:
    """Return what the check set is compared with."""
    if not days:
        return f"{CHECK_BALLS} balls in an order that stays the same from now on"
    listed = days[0] if len(days) == 1 else f"{', '.join(days[:-1])} and {days[-1]}"
    return f"the same {CHECK_BALLS} balls as on {listed}"
