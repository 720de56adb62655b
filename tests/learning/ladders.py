"""How the credit rule holds simulated players in the band: `python -m tests.learning.ladders --players 2000`.

Players have a skill on the logit scale, sets have a form of their own (0.3), days another (0.25); seven rungs of half a
logit; ten sessions of twelve sets of twenty balls. In band is a true share of 65 to 85 %, of the sets for which some
rung lies in it. The players are logistic, so this shows stability, not learning.
"""

import argparse
from dataclasses import dataclass, replace

import numpy as np

from drillfeed.daemon.learning.credit import HOUSE_RULE, Credit, CreditRule, PlayedSet, Room
from drillfeed.daemon.learning.marking_errors import observed_share

SESSIONS, SETS, BALLS = 10, 12, 20
LOW, HIGH = 0.65, 0.85
LEAST = 0.50
BACK_WITHIN = 2


@dataclass(frozen=True)
class Case:
    """What differs from the plain case; `rungs` are the difficulties in logits, the middle one as written."""

    rungs: tuple[float, ...] = tuple(0.5 * step for step in range(-3, 4))
    gain: float = 0.0
    tiring: float = 0.0
    unmarked: float = 0.0
    forgotten: float = 0.0
    wrong_misses: float = 0.0
    balls: int = BALLS
    off_by: int = 0
    rounded: bool = False


STATIC = Case()
# Without a ladder, 46 % of the reachable sets of these players lie in the band; the gain and the tiring are as large as
# they must be for 35 % and 40 %.
IMPROVING = replace(STATIC, gain=1.7)
CASES: dict[str, Case] = {
    "static": STATIC,
    "improving": IMPROVING,
    "tiring": replace(STATIC, tiring=0.9),
    "wrong marks": replace(STATIC, forgotten=0.15, wrong_misses=0.02),
    "30 % unmarked": replace(IMPROVING, unmarked=0.3),
    "uneven rungs": replace(IMPROVING, rungs=(-1.5, -1.3, -0.5, 0.0, 0.8, 1.0, 1.5)),
    "coarse rungs": replace(IMPROVING, rungs=(-3.0, -2.0, -1.0, 0.0, 1.0, 2.0, 3.0)),
    "10-ball sets": replace(STATIC, balls=10),
    "off by two": replace(STATIC, off_by=2),
    "rounded to fives": replace(STATIC, rounded=True),
}


@dataclass(frozen=True)
class Figures:
    """Of the sets that can be in band, the share in it; moves and reversals in 100 sets; share of sets below 50 %."""

    in_band: float
    moves: float
    reversals: float
    below: float

    def __str__(self) -> str:
        return f"{self.in_band:8.1%} {self.moves:7.1f} {self.reversals:9.1f} {self.below:9.1%}"


HEAD = f"{'case':<18}{'in band':>8} {'moves':>7} {'reversals':>9} {'under 50':>9}"


def judge(case: Case, players: int, seed: int = 1, rule: CreditRule = HOUSE_RULE) -> Figures:
    """Let players practise; every offer is taken."""
    rng = np.random.default_rng(seed)
    rungs = np.array(case.rungs)
    shape = (players, SESSIONS, SETS)
    form = rng.normal(1.1, 0.9, (players, 1, 1)) + rng.normal(0, 0.25, (players, SESSIONS, 1))
    skill = form + case.gain * np.linspace(0, 1, SESSIONS)[:, None] - case.tiring * np.linspace(0, 1, SETS)
    # Everything for each rung the player might be on: (players, sessions, sets, rungs).
    true = 1 / (1 + np.exp(rungs - skill[..., None]))
    chance = 1 / (1 + np.exp(rungs - (skill + rng.normal(0, 0.3, shape))[..., None]))
    made = rng.binomial(case.balls, observed_share(chance, case.forgotten, case.wrong_misses))
    made = np.clip(made + rng.integers(-case.off_by, case.off_by + 1, made.shape), 0, case.balls)
    counts = (5 * np.round(made / 5) if case.rounded else made).astype(int).tolist()
    marked = (rng.random(shape) >= case.unmarked).tolist()
    held = (true >= LOW) & (true <= HIGH)
    reachable = held.any(axis=-1)
    visited = np.zeros(shape, dtype=int)
    moves = reversals = 0
    for player in range(players):
        credit = Credit(rule)
        rung, last_move, last_at = len(rungs) // 2, 0, -99
        for session in range(SESSIONS):
            credit = credit.after_break() if session else credit
            for number in range(SETS):
                at = session * SETS + number
                visited[player, session, number] = rung
                count = counts[player][session][number][rung]
                told = PlayedSet(count, case.balls) if marked[player][session][number] else PlayedSet(None, None)
                room = Room("top" if rung == len(rungs) - 1 else None, "bottom" if rung == 0 else None)
                credit, offer = credit.after_set(told, room)
                if offer is None or offer.blocked:
                    continue
                move = 1 if offer.move == "harder" else -1
                reversals += move == -last_move and at - last_at <= BACK_WITHIN
                rung, last_move, last_at, moves = rung + move, move, at, moves + 1
    on = np.take_along_axis
    in_band = (on(held, visited[..., None], -1)[..., 0] & reachable).sum() / reachable.sum()
    below = (on(true, visited[..., None], -1)[..., 0] < LEAST).mean()
    sets = players * SESSIONS * SETS
    return Figures(float(in_band), 100 * moves / sets, 100 * reversals / sets, float(below))


def main() -> None:
    """Print the table."""
    parser = argparse.ArgumentParser(description="the credit rule with simulated players")
    parser.add_argument("--players", type=int, default=2000)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("cases", nargs="*", default=[], help=f"some of: {', '.join(CASES)}")
    args = parser.parse_args()
    print(HEAD)
    for name in args.cases or CASES:
        print(f"{name:<18}{judge(CASES[name], args.players, args.seed)}", flush=True)


if __name__ == "__main__":
    main()
