"""Warning limits: how many balls in a day and in seven days.

Rule of this file: a limit warns and never stops anything. The figures are defaults of ours, not published ones. Overuse
of shoulder and wrist grows with the number of balls, and young players get lower limits. Ask a coach or physician.
"""

from collections.abc import Iterable
from dataclasses import dataclass

from drillfeed.daemon.drills.profiles import HOUSE_PROFILES, Profiles
from drillfeed.daemon.journal.reading import Load
from drillfeed.protocol.texts.catalogue import text


@dataclass(frozen=True)
class Limits:
    """Balls in a day and in seven days at which a warning is given; each level has a share of them."""

    day_balls: int = 600
    seven_days_balls: int = 2400
    profiles: Profiles = HOUSE_PROFILES

    def of(self, level: str | None) -> tuple[int, int]:
        """Return the limits of a day and of seven days for a level."""
        share = self.profiles.of(level).caps.warn_share if level else 1.0
        return round(self.day_balls * share), round(self.seven_days_balls * share)


def warning_of(load: Load, limits: Limits) -> str | None:
    """Return a warning if a player's balls have reached a limit."""
    day, week = limits.of(load.level)
    who = load.player or text("load.nobody")
    if load.today >= day:
        return text("load.today", today=load.today, who=who, day=day)
    if load.seven_days >= week:
        return text("load.week", seven_days=load.seven_days, who=who, week=week)
    return None


def warnings_of(loads: Iterable[Load], limits: Limits) -> tuple[str, ...]:
    """Return the warnings of all players."""
    return tuple(text for load in loads if (text := warning_of(load, limits)) is not None)
