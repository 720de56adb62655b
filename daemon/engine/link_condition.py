"""Whether the driver link is good enough to feed and to arm, and if not, the reason in words.

Rule of this file: it only reads a link. Limits of age and of the clock's error stand here and nowhere else.
"""

from drillfeed.daemon.engine.driver import DriverLink
from drillfeed.protocol.link import WATCHDOG_FEED_S
from drillfeed.protocol.status_text import seconds
from drillfeed.protocol.texts.catalogue import text

DEAF_FEED_S = 0.300
DEAF_FAULT_S = 0.600
CLOCK_ARM_S = 0.010
CLOCK_FEED_S = 0.025


def age_text(age_s: float) -> str:
    """Return an age in words: ms under a second, else as people read times; empty where it is infinite."""
    if age_s == float("inf"):
        return ""
    return text("age.ms", age_ms=age_s * 1000) if age_s < 1 else seconds(age_s)


def for_text(age_s: float) -> str:
    """Return `for 320 ms`, or `yet` where it never was."""
    age = age_text(age_s)
    return text("age.for", age=age) if age else "yet"


def feed_trouble(link: DriverLink, now_s: float) -> str | None:
    """Return why the feed must be closed just now, or None."""
    if link.driver is None:
        return text("feed.no-driver")
    if link.status_age_s(now_s) > WATCHDOG_FEED_S:
        age = age_text(link.status_age_s(now_s))
        return text("feed.status-old", age=age) if age else text("feed.no-status")
    if link.deaf_s(now_s) > DEAF_FEED_S:
        return text("feed.deaf", for_so_long=for_text(link.deaf_s(now_s)))
    if link.line is None or link.line.error_s > CLOCK_FEED_S:
        return text("feed.clock")
    return None


def link_misfits(link: DriverLink) -> tuple[str, ...]:
    """Return all that keeps this driver from driving this machine; empty where it fits, or is not there."""
    driver, status = link.driver, link.status
    if driver is None:
        return ()
    told = status is not None and status.session == link.session
    if driver.mismatch or status is None or not told or status.limits_hash == link.digest:
        return driver.mismatch
    refused = [refusal.reason for refusal in status.refusals if refusal.kind == "hello"]
    return (text("driver.limits-not-taken", reason=refused[-1] if refused else text("driver.no-reason")),)
