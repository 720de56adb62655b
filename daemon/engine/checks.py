"""What must be given before a thrower arms, a drill starts and a set begins.

Rule of this file: a check changes nothing. It raises Refused with what is wrong and what to do, or returns.
"""

from math import isfinite

from drillfeed.daemon.engine.link_condition import CLOCK_ARM_S, link_misfits
from drillfeed.daemon.engine.parts import Parts
from drillfeed.daemon.engine.standing import shown
from drillfeed.daemon.planning.plan import DrillPlan, SetPlan
from drillfeed.protocol.errors import refuse
from drillfeed.protocol.link import WATCHDOG_FEED_S
from drillfeed.protocol.texts.catalogue import text


def check_driver(parts: Parts, now_s: float) -> None:
    """Raise Refused with the first reason why this driver may not be armed."""
    link = parts.link
    driver, status = link.driver, link.status
    if driver is None or status is None or link.status_age_s(now_s) > WATCHDOG_FEED_S:
        raise refuse("driver.none")
    if misfits := link_misfits(link):
        raise refuse("driver.misfit", misfits="; ".join(misfits))
    if status.limits_hash != link.digest:
        raise refuse("driver.limits")
    doubts = parts.doubts.lines(now_s)
    if doubts:
        raise refuse("driver.contradicts", doubts="; ".join(doubts))
    if status.faults:
        raise refuse("driver.faults", faults="; ".join(f"{fault.part}: {fault.what}" for fault in status.faults))
    blind = status.top.measured_rpm is None or status.bottom.measured_rpm is None
    if parts.machine.sensors.speed_feedback and blind:
        raise refuse("driver.blind")
    if link.line is None or link.line.error_s > CLOCK_ARM_S:
        error_ms = float("inf") if link.line is None else link.line.error_s * 1000
        found = text("clock.known", error_ms=error_ms) if isfinite(error_ms) else text("clock.unknown")
        raise refuse("driver.clock", within_ms=CLOCK_ARM_S * 1000, found=found)
    check_supply(parts)


def check_standing(parts: Parts, now_s: float) -> None:
    """Raise Refused unless both wheels are known to stand; name the one that turns."""
    standing, known = parts.at_rest(now_s)
    if standing is True:
        return
    status = parts.link.status
    if standing is None or status is None:
        raise refuse("arm.moving", known=known)
    fastest = max(shown(status, parts.machine), key=lambda wheel: wheel.rim_mps)
    if fastest.rim_mps == 0:
        raise refuse("arm.driver-says-moving")
    raise refuse("arm.wheel-turns", wheel=fastest.text)


def check_supply(parts: Parts) -> None:
    """Raise Refused if the supply voltage is outside the machine's limits."""
    supply, status = parts.machine.supply, parts.link.status
    volts = status.supply_v if status else None
    if supply is not None and volts is not None and not supply.low_v <= volts <= supply.high_v:
        raise refuse("supply.outside", volts=volts, low_v=supply.low_v, high_v=supply.high_v)


def check_hopper(parts: Parts) -> None:
    """Raise Refused if the hopper is empty, by the count or by the driver's word."""
    if parts.hopper_empty is not None:
        raise refuse("hopper.empty", empty=parts.hopper_empty)


def check_crank(parts: Parts, plan: SetPlan, fed: int) -> None:
    """Raise Refused if a crank by time must be turned to its mark first."""
    if not parts.feeder.is_timed_crank:
        return
    turns = parts.feeder.crank_turns
    if turns is None:
        raise refuse("crank.unknown")
    if turns > (0 if plan.crank_to_mark_before else plan.turns_before) + fed:
        raise refuse("crank.drifted", turns=turns, allowed=plan.turns_before + fed)


def check_next_set(parts: Parts, plan: SetPlan) -> None:
    """Raise Refused if a set must not begin: with a low supply the running set finishes, and no other begins."""
    check_supply(parts)
    check_hopper(parts)
    check_crank(parts, plan, 0)


def check_profile(parts: Parts, plan: DrillPlan) -> None:
    """Raise Refused for a plan that was made for other limits than those in force."""
    if plan.player.profile != parts.practice.profile:
        raise refuse("player.changed")
