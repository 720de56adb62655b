"""How often marks are wrong: misses that nobody marked, and balls marked missed that were made.

Rule of this file: the rates belong to one marker and one way of marking and are never shared. They begin at cautious
guesses of ours and learn from double counts, in which somebody else counts the same set again. An estimate folds the
rates into its likelihood. Dividing a share by them (Rogan and Gladen 1978, American Journal of Epidemiology 107:71) may
leave 0 to 1, and is shown only beside it.
"""

from dataclasses import dataclass

from scipy.special import betaincinv

from drillfeed.daemon.learning.intervals import SHOWN_LEVEL, Interval


@dataclass(frozen=True)
class Rate:
    """A rate between 0 and 1 as a Beta distribution: `hits` and `others` are its two parameters."""

    hits: float
    others: float

    @property
    def mean(self) -> float:
        """Return the mean."""
        return self.hits / (self.hits + self.others)

    @property
    def variance(self) -> float:
        """Return the variance."""
        return self.mean * (1 - self.mean) / (self.hits + self.others + 1)

    def after(self, hits: int, out_of: int) -> "Rate":
        """Return the rate after it was seen `hits` times of `out_of`."""
        if not 0 <= hits <= out_of:
            raise ValueError(f"{hits} of {out_of}; expected no more than all")
        return Rate(self.hits + hits, self.others + out_of - hits)

    def interval(self, level: float = SHOWN_LEVEL) -> Interval:
        """Return the interval with equal tails."""
        tail = (1 - level) / 2
        low, high = (float(betaincinv(self.hits, self.others, edge)) for edge in (tail, 1 - tail))
        return Interval(low, high)


JEFFREYS_RATE = Rate(0.5, 0.5)
"""A rate of which nothing was known before it was counted."""


@dataclass(frozen=True)
class MarkingErrors:
    """The two rates of a marker and a way: `forgotten` misses not marked, `wrong_misses` made balls marked missed."""

    forgotten: Rate = Rate(2, 18)
    wrong_misses: Rate = Rate(1, 49)

    def counted_again(self, misses: int, not_marked: int, made: int, marked_missed: int) -> "MarkingErrors":
        """Return the rates after a double count.

        Of `misses` true misses `not_marked` had no mark, and of `made` true ones `marked_missed` were marked missed.
        """
        return MarkingErrors(self.forgotten.after(not_marked, misses), self.wrong_misses.after(marked_missed, made))


NO_ERRORS = MarkingErrors(Rate(0, 1), Rate(0, 1))
"""Marks that are taken as they are."""


def observed_share(share: float, forgotten: float, wrong_misses: float) -> float:
    """Return the share marked made when `share` was made: f + (1 - f - g) p."""
    return forgotten + (1 - forgotten - wrong_misses) * share


def corrected_share(observed: float, forgotten: float, wrong_misses: float) -> float:
    """Return the share made for a share marked made, (p - f) / (1 - f - g); it may lie outside 0 to 1."""
    return (observed - forgotten) / (1 - forgotten - wrong_misses)


def variance_factor(forgotten: float, wrong_misses: float) -> float:
    """Return by how much the correction widens the variance of a share: 1 / (1 - f - g)^2."""
    return (1 - forgotten - wrong_misses) ** -2
