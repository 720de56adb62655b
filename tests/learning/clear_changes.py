"""How often a report calls a change clear: `python -m tests.learning.clear_changes --reports 1000`.

Ten weeks, eight types, about 42 marked balls a type and week. The last three weeks are held against the first three.
"""

import argparse
from dataclasses import replace

import numpy as np

from drillfeed.daemon.learning.changes import WINDOW_WEEKS, changes
from drillfeed.daemon.learning.model import follow
from drillfeed.daemon.learning.trend import draw_courses, marked_balls
from tests.learning.drawn_seasons import AS_ASSUMED, Truth, draw

WEEKS = 10
NOTHING_CHANGED = replace(AS_ASSUMED, weeks=WEEKS, gain_points=0.0)
FIFTEEN_AT_THE_ENDS = replace(AS_ASSUMED, weeks=WEEKS, gain_points=0.15)
"""The last week lies 15 points over the first, so the means of three weeks lie 11.7 apart."""
FIFTEEN_POINTS = replace(AS_ASSUMED, weeks=WEEKS, gain_points=0.15 * (WEEKS - 1) / (WEEKS - WINDOW_WEEKS))
"""The means of three weeks lie 15 points apart."""
CASES = {
    "nothing changed": NOTHING_CHANGED,
    "15 points between the means": FIFTEEN_POINTS,
    "the same, one type a set": replace(FIFTEEN_POINTS, mixed_share=0.0),
    "15 points end to end": FIFTEEN_AT_THE_ENDS,
    "end to end, one type a set": replace(FIFTEEN_AT_THE_ENDS, mixed_share=0.0),
}


def clear_share(truth: Truth, reports: int, first_seed: int = 0) -> tuple[float, float]:
    """Return the share of types called clearly up, and clearly down."""
    words = []
    for seed in range(first_seed, first_seed + reports):
        course = follow(draw(truth, seed).season)
        balls = marked_balls(course)
        drawn = draw_courses(course, np.random.default_rng(seed))
        found = changes(course.season.types, drawn, balls, WEEKS - WINDOW_WEEKS)
        words += [change.word for change in found]
    return words.count("clearly up") / len(words), words.count("clearly down") / len(words)


def main() -> None:
    """Print the table."""
    parser = argparse.ArgumentParser(description="how often a change is called clear")
    parser.add_argument("--reports", type=int, default=1000)
    args = parser.parse_args()
    print(f"{'truth':<30}{'up':>7}{'down':>7}")
    for name, truth in CASES.items():
        up, down = clear_share(truth, args.reports)
        print(f"{name:<30}{up:7.1%}{down:7.1%}", flush=True)


if __name__ == "__main__":
    main()
