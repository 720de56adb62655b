"""What is worth practising today: a score for each ball type from its estimate and the days since it was thrown.

Rule of this file: the weights are ours and stand in one table. A ball that was not thrown for a month is mostly not
known, which is not the same as lost: forgetting is slow (about half of a gain in accuracy after half a year, Tatel and
Ackerman 2025, a review of 1,344 effects), so staleness adds to the score and takes nothing from the estimate.
"""

from dataclasses import dataclass

from drillfeed.daemon.learning.model import Estimate

TARGET_SHARE = 0.75
STALE_HALF_DAYS = 21.0
UNSURE_SD = 0.5
NEED, STALE, UNSURE = 0.5, 0.3, 0.2
TOO_HARD_SHARE = 0.40
"""If even the upper end of the interval lies under this, something gentler comes first."""
MAX_WEIGHT = 3.0


@dataclass(frozen=True)
class Standing:
    """Where one ball type stands today.

    `days` since it was last thrown and `share_then` the estimate of that week are None if it never was. `weight` is the
    coach's, 0 to 3. `tempo_per_min` is the usual tempo; None if there is none. `gentler` names an easier ball of the
    same kind. `ease` orders ball types, the easiest first.
    """

    estimate: Estimate
    marked_balls: int = 0
    days: float | None = None
    share_then: float | None = None
    weight: float = 1.0
    tempo_per_min: float | None = None
    gentler: str | None = None
    ease: int = 0

    @property
    def ball(self) -> str:
        """Return the name of the ball type."""
        return self.estimate.ball

    @property
    def need(self) -> float:
        """Return the probability that less than the target share is made."""
        return self.estimate.below(TARGET_SHARE)

    @property
    def stale(self) -> float:
        """Return how long ago it was thrown, from 0 (today) to 1 (never); one half after three weeks."""
        return 1.0 if self.days is None else 1.0 - 2.0 ** (-self.days / STALE_HALF_DAYS)

    @property
    def unsure(self) -> float:
        """Return how little is known, 0 to 1."""
        return min(1.0, self.estimate.level_sd / UNSURE_SD)

    @property
    def score(self) -> float:
        """Return the score; the highest is trained first."""
        return self.weight * (NEED * self.need + STALE * self.stale + UNSURE * self.unsure)

    @property
    def too_hard(self) -> bool:
        """Tell whether something gentler should come first."""
        return self.estimate.outer.high < TOO_HARD_SHARE


def by_score(standings: tuple[Standing, ...]) -> tuple[Standing, ...]:
    """Return the types in the order in which they need practice; those of weight 0 are left out."""
    wanted = (standing for standing in standings if standing.weight > 0)
    return tuple(sorted(wanted, key=lambda standing: (-standing.score, standing.ball)))
