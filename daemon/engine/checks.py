"""What must be given before a thrower arms, a drill starts and a set begins.

Rule of this file: a check changes nothing. It raises Refused with what is wrong and what to do, or returns.
"""

from math import isfinite
from typing import TYPE_CHECKING

from drillfeed.daemon.engine.driver import CLOCK_ARM_S
from drillfeed.daemon.engine.standing import LOOK, shown
from drillfeed.daemon.planning.plan import SetPlan
from drillfeed.protocol.errors import Refused
from drillfeed.protocol.link import WATCHDOG_FEED_S

if TYPE_CHECKING:
    from drillfeed.daemon.engine.engine import Engine


def check_driver(engine: "Engine", now_s: float) -> None:
    """Raise Refused with the first reason why this driver may not be armed."""
    link = engine.link
    driver, status = link.driver, link.status
    if driver is None or status is None or link.status_age_s(now_s) > WATCHDOG_FEED_S:
        raise Refused("no-driver", "no motor driver answers", do="start the driver, then: status")
    if link.misfits:
        raise Refused("driver-mismatch", "; ".join(link.misfits), do="mend the profile or the driver")
    if status.limits_hash != link.digest:
        raise Refused("driver-mismatch", "the driver has not taken the machine's limits yet", do="wait, then: arm")
    doubts = engine.doubts.lines(now_s)
    if doubts:
        raise Refused("driver-contradicts", "; ".join(doubts), do="mend the driver; drillfeed probe-driver checks it")
    if status.faults:
        raise Refused("driver-refused", "; ".join(f"{fault.part}: {fault.what}" for fault in status.faults))
    blind = status.top.measured_rpm is None or status.bottom.measured_rpm is None
    if engine.machine.sensors.speed_feedback and blind:
        raise Refused("feedback", "a wheel's speed cannot be read", do="look at the speed sensors and their cables")
    if link.line is None or link.line.error_s > CLOCK_ARM_S:
        known = link.line is not None and isfinite(link.line.error_s)
        found = f"known to {link.line.error_s * 1000:.1f} ms" if known and link.line else "not known yet"
        raise Refused("clock", "the driver's clock", expected=f"known to {CLOCK_ARM_S * 1000:g} ms", found=found)
    check_supply(engine)


def check_standing(engine: "Engine", now_s: float) -> None:
    """Raise Refused unless both wheels are known to stand; names the one that turns."""
    standing, known = engine.rest(now_s)
    if standing is True:
        return
    status = engine.link.status
    if standing is None or status is None:
        raise Refused("moving", f"the wheels are not known to stand ({known})", do="wait, then: arm")
    fastest = max(shown(status, engine.machine), key=lambda wheel: wheel.rim_mps)
    if fastest.rim_mps == 0:
        raise Refused("moving", "the driver says that the wheels turn", do="wait, then: arm")
    do = f"wait; where it goes on, {LOOK}"
    raise Refused("moving", f"the {fastest.text}", expected="wheels that stand", do=do)


def check_supply(engine: "Engine") -> None:
    """Raise Refused where the supply voltage is outside the machine's limits."""
    supply, status = engine.machine.supply, engine.link.status
    volts = status.supply_v if status else None
    if supply is not None and volts is not None and not supply.low_v <= volts <= supply.high_v:
        raise Refused("supply", f"supply at {volts:.1f} V", expected=f"{supply.low_v:g} to {supply.high_v:g} V")


def check_hopper(engine: "Engine") -> None:
    """Raise Refused where the hopper is empty, by the count or by the driver's word."""
    if engine.hopper_empty is not None:
        raise Refused("hopper", engine.hopper_empty, do="fill it, then: balls N")


def check_crank(engine: "Engine", plan: SetPlan, fed: int) -> None:
    """Raise Refused where a crank by time must be turned to its mark first."""
    if engine.machine.feeder.kind != "crank-timed":
        return
    do = "cut the motor power, turn the crank to its mark by hand, then type: rephase"
    if engine.crank_turns is None:
        raise Refused("rephase", "the crank was stopped in mid-turn: its phase is unknown", do=do)
    if engine.crank_turns > (0 if plan.rephase_before else plan.turns_before) + fed:
        raise Refused(
            "rephase",
            f"the crank has turned {engine.crank_turns} times since its mark and has drifted",
            expected=f"at most {plan.turns_before + fed} turns for this set",
            do=do,
        )


def check_next_set(engine: "Engine", plan: SetPlan) -> None:
    """Raise Refused where a set must not begin: a low supply lets the running set finish, and no other begin."""
    check_supply(engine)
    check_hopper(engine)
    check_crank(engine, plan, 0)
