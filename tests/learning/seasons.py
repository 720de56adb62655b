"""How often intervals hold what they say, on drawn seasons: `python -m tests.learning.seasons --seasons 200`.

Each line is one truth: coverage and mean width of 90 % intervals for the share in the last week, root mean square and
mean error of the share, and the same error of the share over all sets of one type, which is what a plain table shows.
"""

import argparse
from dataclasses import dataclass

import numpy as np

from drillfeed.daemon.learning.model import HOUSE, House, follow, levels
from drillfeed.daemon.learning.week_update import logistic
from tests.learning.drawn_seasons import TRUTHS, Truth, draw

Z_90 = 1.6448536269514722


@dataclass(frozen=True)
class Figures:
    """What came of some seasons. `plain_error` is nan if no set threw one type alone."""

    coverage: float
    width: float
    error: float
    mean_error: float
    plain_error: float

    def __str__(self) -> str:
        plain = "  none" if np.isnan(self.plain_error) else f"{self.plain_error:6.4f}"
        return (
            f"{self.coverage:8.1%}  {self.width:6.3f}  {self.error:6.4f}  {self.mean_error:+7.4f}  {plain}"
            f"  {self.error / self.plain_error:5.2f}"
        )


HEAD = f"{'truth':<22}{'coverage':>8}  {'width':>6}  {'error':>6}  {'mean':>7}  {'plain':>6}  {'ratio':>5}"


def judge(truth: Truth, seasons: int, first_seed: int = 0, house: House = HOUSE) -> Figures:
    """Draw seasons, estimate each, and compare with the truth."""
    inside, widths, errors, plain = [], [], [], []
    for seed in range(first_seed, first_seed + seasons):
        drawn = draw(truth, seed)
        usual = drawn.season.usual()
        true = drawn.levels[-1] + usual @ drawn.effects
        last = follow(drawn.season, house).last
        middle, spread = levels(last.mean, last.covariance, last.weights, usual)
        inside.append(np.abs(true - middle) < Z_90 * spread)
        widths.append(logistic(middle + Z_90 * spread) - logistic(middle - Z_90 * spread))
        errors.append(logistic(middle) - logistic(true))
        made, balls = np.zeros(truth.types), np.zeros(truth.types)
        for _, kind, some_made, some_balls in drawn.singles:
            made[kind] += some_made
            balls[kind] += some_balls
        plain.append(((made / np.maximum(balls, 1)) - logistic(true))[balls > 0])
    error = np.concatenate(errors)
    plain_errors = np.concatenate(plain)
    return Figures(
        float(np.mean(inside)),
        float(np.mean(widths)),
        float(np.sqrt(np.mean(error**2))),
        float(error.mean()),
        float(np.sqrt(np.mean(plain_errors**2))) if len(plain_errors) else float("nan"),
    )


def main() -> None:
    """Print the table."""
    parser = argparse.ArgumentParser(description="coverage of the estimate on drawn seasons")
    parser.add_argument("--seasons", type=int, default=200, help="seasons a truth (200)")
    parser.add_argument("--first-seed", type=int, default=0)
    parser.add_argument("--usual-values", action="store_true", help="without the average over the grid")
    parser.add_argument("truths", nargs="*", default=[], help=f"some of: {', '.join(TRUTHS)}")
    args = parser.parse_args()
    house = House(drifts=HOUSE.drifts[:1], forms=HOUSE.forms[:1]) if args.usual_values else HOUSE
    print(HEAD)
    for name in args.truths or TRUTHS:
        print(f"{name:<22}{judge(TRUTHS[name], args.seasons, args.first_seed, house)}", flush=True)


if __name__ == "__main__":
    main()
