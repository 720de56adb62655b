"""A shuffled quota: each ball exactly n times, never more than so many alike in a row.

Rule of this file: never try and discard. `possible` says exactly whether what is left can still be thrown, so a draw
takes only balls that leave a way to the end, and an impossible quota is refused before the first draw.
"""

from collections.abc import Iterator, Mapping

import numpy as np

from drillfeed.daemon.drills.balls import BallType
from drillfeed.daemon.drills.forms import QuotaOrder
from drillfeed.daemon.drills.sequence import Drawn, Follow, easiest


def possible(left: Mapping[str, int], most_alike: int, last: str | None = None, alike: int = 0) -> bool:
    """Tell exactly whether `left` can be thrown after `alike` times `last` with runs of at most `most_alike`.

    The other balls cut the row into places for a ball: one before each of them and one at the end, each holding
    `most_alike`; the first place of `last` holds only what its run leaves. A ball fits where its places hold it, and
    where each ball fits by itself, throwing whatever is nearest to its limit first throws them all (a counting
    argument, held against trying every order in the tests).
    """
    together = sum(left.values())
    return all(n <= most_alike * (together - n + 1) - (alike if name == last else 0) for name, n in left.items())


def follows(order: QuotaOrder, balls: int) -> frozenset[Follow]:
    """Return every pair that may follow each other; unlike pairs are counted as possible, which errs to the slow side.

    A ball follows itself only where it comes twice and the run limit lets it.
    """
    if balls < 2:
        return frozenset()
    return frozenset(
        Follow(before, after, 0.0)
        for before in order.quota
        for after in order.quota
        if before != after or (order.quota[before] > 1 and order.most_alike > 1)
    )


def faults(order: QuotaOrder, set_balls: int, balls: Mapping[str, BallType]) -> list[str]:
    """Return why a set of `set_balls` balls can't be drawn from the quota."""
    found = []
    if set_balls > order.balls:
        found.append(f"{set_balls} balls, but the quotas make {order.balls}; give the set balls = {order.balls}")
    begin = easiest(order.quota, balls) if order.first == "easiest" else None
    if not possible(order.quota, order.most_alike):
        name, n = max(order.quota.items(), key=lambda item: item[1])
        others, most = order.balls - n, order.most_alike
        found.append(
            f"{n} x {name} among {others} other balls with at most {most} in a row: at most {most * (others + 1)} fit; "
            f"most_alike = {-(-n // (others + 1))} or more makes it possible"
        )
    elif begin is not None and not possible(_less(order.quota, begin), order.most_alike, begin, 1):
        found.append(
            f"it can't begin with {begin}, the easiest: the others then fit no more with at most {order.most_alike} "
            f'in a row; write first = "drawn", or raise most_alike'
        )
    return found


def draw(order: QuotaOrder, balls: Mapping[str, BallType], rng: np.random.Generator) -> Iterator[Drawn]:
    """Yield each ball as often as its quota says, then end.

    Each is drawn in proportion to what is left of its type, among the types that leave a way to the end; without a run
    limit that makes every order equally likely.
    """
    left = dict(order.quota)
    last, alike = None, 0
    begin = easiest(left, balls) if order.first == "easiest" else None
    for chance in rng.random(order.balls):
        open_types = [begin] if begin else [name for name in left if _may(left, name, order.most_alike, last, alike)]
        begin = None
        steps = np.cumsum([left[name] for name in open_types])
        name = open_types[int(steps.searchsorted(chance * steps[-1], side="right"))]
        alike = alike + 1 if name == last else 1
        last = name
        left = _less(left, name)
        yield Drawn(name)


def _may(left: Mapping[str, int], name: str, most_alike: int, last: str | None, alike: int) -> bool:
    run = alike + 1 if name == last else 1
    return run <= most_alike and possible(_less(left, name), most_alike, name, run)


def _less(left: Mapping[str, int], name: str) -> dict[str, int]:
    """Return what is left after throwing one `name`."""
    return {one: n - (one == name) for one, n in left.items() if n > (one == name)}
