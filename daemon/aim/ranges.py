"""Ranges and shares in words, rounded to the digits that are known."""

import math

from drillfeed.daemon.aim.likely import Likely
from drillfeed.protocol.texts.catalogue import text

PARTS = 4  # a range spans at least this many steps of its last digit
SURE = 0.995


def range_text(
    likely: Likely | None, name: str, number: float, scale: float = 1.0, *, min_step: float = 1.0, signed: bool = False
) -> str | None:
    """Return the range of a figure as "100 to 120", rounded to steps of 1, 2 or 5 of a digit that suit its width.

    `scale` converts the figure to the unit shown, and no step is finer than `min_step`. The figure itself, rounded to
    `min_step`, always lies inside. None if there is no range, or if it is too narrow to show.
    """
    ends = None if likely is None else likely.of(name)
    if ends is None:
        return None
    low, high, figure = scale * ends.low, scale * ends.high, min_step * round(scale * number / min_step)
    step = max(_step((high - low) / PARTS), min_step)
    low, high = min(step * round(low / step), figure), max(step * round(high / step), figure)
    places = max(0, -math.floor(math.log10(min_step)))
    if high - low < min_step / 2:
        return None
    sign = "+" if signed else ""
    return text("range.from-to", low=low + 0.0, sign=sign, places=places, high=high + 0.0)


def share_text(share: float) -> str:
    """Return a share of drawn balls in whole percent, never as certain."""
    if share > SURE:
        return text("range.over-99")
    if share < 1.0 - SURE:
        return text("range.under-1")
    return text("range.about", percent=100 * share)


def _step(max_step: float) -> float:
    """Return the largest step of 1, 2 or 5 times a power of ten that is no larger than `most`."""
    if max_step <= 0.0:
        return 0.0
    power = 10.0 ** math.floor(math.log10(max_step) + 1e-9)
    return max(digit * power for digit in (1.0, 2.0, 5.0) if digit * power <= max_step * (1.0 + 1e-9))
