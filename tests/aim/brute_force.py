"""Aim against brute force: every legal ball over speed and tilt, found without the solver.

    python -m tests.aim.brute_force --requests 500 --seed 1

A `Field` (`every_ball`) flies a fine table of balls of one spin; where both figures of a request change sign in a cell,
Newton's rule on whole flights decides whether a ball is there. `judge` holds what `aim` says against those balls.
"""

import argparse
import math
import time
from collections import Counter, defaultdict
from collections.abc import Iterator
from dataclasses import dataclass, replace
from itertools import combinations

import numpy as np

from drillfeed.daemon.aim.aiming import aim, ways
from drillfeed.daemon.aim.request import ALLOWED, ASKED, AimRequest, NoSolution, Solution
from drillfeed.daemon.aim.solve import solutions
from drillfeed.daemon.aim.thrower import Thrower, broken, thrower_of
from drillfeed.daemon.library.loading import load_machine
from drillfeed.daemon.physics.thrower import RimLine, max_spin_revps
from tests.aim.every_ball import Ball, Field

KINDS = [pair for pair in combinations(ASKED, 2) if pair != ("speed_mps", "tilt_deg")]
CLUB, KIT = thrower_of(load_machine("club-build")), thrower_of(load_machine("kit-build"))
LEARNT = replace(
    CLUB, name="learnt", top_line=RimLine(0.95, -0.1), bottom_line=RimLine(1.03, 0.2), tilt_zero_deg=1.5, pivot_m=0.15
)
MACHINES = (CLUB, KIT, LEARNT)
# Two balls this near to each other are one arc; where an arc turns, two solutions lie as near as that.
SAME_MPS, SAME_DEG = 0.05, 0.5
LIKELY = {
    "speed_mps": (3.0, 18.0),
    "tilt_deg": (-25.0, 60.0),
    "depth_m": (0.05, 1.36),
    "clearance_m": (0.0, 0.9),
    "apex_m": (0.26, 1.8),
    "arrival_s": (0.15, 1.3),
}


@dataclass(frozen=True)
class Verdict:
    """Hold what was wrong with one answer, "" where nothing was; its time in s, and whether it was a refusal."""

    fault: str
    text: str
    took_s: float
    refused: bool


def requests_of(field: Field, kind: tuple[str, str], count: int, rng: np.random.Generator) -> Iterator[AimRequest]:
    """Yield requests of a kind, as somebody types them: half of them figures of a ball that the machine can throw."""
    made = 0
    while made < count:
        asked = field.throw(rng) if made % 2 == 0 else None
        if asked is None:
            asked = {name: float(rng.uniform(*LIKELY[name])) for name in kind}
        asked = {name: round(asked[name], 3) for name in kind}
        if any(not ALLOWED[name][0] <= number <= ALLOWED[name][1] for name, number in asked.items()):
            continue
        arc = rng.choice(np.array(["", "", "", "", "low", "high", "serve-wise"]))
        made += 1
        yield AimRequest(field.spin_revps, **asked, arc=str(arc) or None)  # type: ignore[arg-type]


def judge(thrower: Thrower, request: AimRequest, legal: list[Ball]) -> Verdict:
    """Hold what aim says of a request against the legal balls that meet it."""
    legal = [b for b in legal if request.arc in (None, b.arc) or (b.turn and request.arc != "serve-wise")]
    sure = [b for b in legal if not b.turn or request.arc is None]
    within = [b for b in sure if not broken(thrower, b.speed_mps, request.spin_revps, b.tilt_deg)]
    ways.cache_clear()
    start = time.process_time()
    try:
        found = aim(thrower, request)
    except NoSolution as refusal:
        took_s = time.process_time() - start
        return Verdict(*_refusal_fault(thrower, request, refusal, sure, within), took_s, True)
    took_s = time.process_time() - start
    for s in found:
        if not _as_asked(thrower, request, s):
            return Verdict("not as asked", f"{s.speed_mps:.3f} m/s, {s.tilt_deg:.2f} degrees", took_s, False)
    for ball in within:
        if not any(_same(ball, s) for s in found):
            return Verdict("missed arc", str(ball), took_s, False)
    return Verdict("", "", took_s, False)


def _refusal_fault(
    thrower: Thrower, request: AimRequest, refusal: NoSolution, sure: list[Ball], within: list[Ball]
) -> tuple[str, str]:
    if within:
        return "false refusal", f"{within[0]} does it; told: {refusal.reason}"
    if not refusal.limits and (sure or refusal.reason.strip() == request.describe().strip()):
        return "no limit named", f"{sure[:1]} would do it; told: {refusal.reason}"
    if refusal.limits and not solutions(thrower.lifted(*refusal.limits), request):
        return "limit does not help", refusal.reason
    for fewer in range(len(refusal.limits)):
        for some in combinations(refusal.limits, fewer):
            if solutions(thrower.lifted(*some), request):
                return "limit not needed", refusal.reason
    return "", ""


def _same(ball: Ball, s: Solution) -> bool:
    return (
        abs(ball.speed_mps - s.speed_mps) < SAME_MPS
        and abs(ball.tilt_deg - s.tilt_deg) < SAME_DEG
        and (ball.arc == "serve-wise") == (s.arc == "serve-wise")
    )


def _as_asked(thrower: Thrower, request: AimRequest, s: Solution) -> bool:
    """Tell whether a solution, flown, is legal and has the figures asked for: 1 mm, 1 ms."""
    flight = s.flight
    have = {
        "speed_mps": s.speed_mps,
        "tilt_deg": s.tilt_deg,
        "depth_m": flight.depth_m,
        "clearance_m": flight.net_clearance_m,
        "apex_m": flight.apex_m,
        "arrival_s": flight.end_line.t_s if flight.end_line else None,
    }
    near = {"tilt_deg": 3e-3}
    figures_met = all(
        found is not None and abs(found - number) <= near.get(name, 1e-3)
        for name, number in request.given().items()
        for found in [have[name]]
    )
    return flight.valid and figures_met and not broken(thrower, s.speed_mps, s.spin_revps, s.tilt_deg, s.pan_deg)


def spin_for(thrower: Thrower, rng: np.random.Generator) -> float:
    """Return a spin that the wheels can give at some usual speed, and now and then one that they cannot."""
    most = max_spin_revps(float(rng.uniform(4.0, 12.0)) / thrower.speed_share, thrower.limits) * thrower.spin_share
    return round(float(rng.uniform(-1.1, 1.1)) * most, 2)


def run(
    count: int,
    seed: int,
    a_field: int = 5,
    step_mps: float = 0.1,
    step_deg: float = 0.5,
    holding: tuple[str, ...] = ASKED,
) -> tuple[dict[tuple[str, str], list[tuple[AimRequest, str, Verdict]]], int]:
    """Return the verdicts by kind of request, and how many fields were flown; `count` requests of each kind.

    Only requests that give one of the figures in `holding` are judged; they are the same whatever it holds.
    """
    rng = np.random.default_rng(seed)
    verdicts: dict[tuple[str, str], list[tuple[AimRequest, str, Verdict]]] = defaultdict(list)
    fields = math.ceil(count / a_field)
    for k in range(fields):
        thrower = MACHINES[k % len(MACHINES)]
        field = Field(thrower, spin_for(thrower, rng), step_mps, step_deg)
        asked = [(kind, request) for kind in KINDS for request in requests_of(field, kind, a_field, rng)]
        asked = [(kind, request) for kind, request in asked if set(kind) & set(holding)]
        legal = field.meetings([request for _, request in asked])
        for (kind, request), balls in zip(asked, legal, strict=True):
            verdicts[kind].append((request, thrower.name, judge(thrower, request, balls)))
    return verdicts, fields


def main() -> int:
    """Judge so many requests of each kind, print a table of faults and times, return 1 with any fault."""
    parser = argparse.ArgumentParser(description=main.__doc__)
    parser.add_argument("--requests", type=int, default=500, help="of each kind (500)")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--show", type=int, default=20, help="how many faults to print in full (20)")
    parser.add_argument(
        "--holding", nargs="+", choices=ASKED, default=ASKED, help="only requests that give one of these"
    )
    args = parser.parse_args()
    verdicts, fields = run(args.requests, args.seed, holding=tuple(args.holding))
    print(f"{'kind':<24} {'requests':>6} {'refused':>7} {'faults':>6}   answer ms (p95)   refusal ms (p95)")
    shown: list[str] = []
    total: Counter[str] = Counter()
    for kind, told in verdicts.items():
        faults = [(request, name, v) for request, name, v in told if v.fault]
        total.update(v.fault for _, _, v in faults)
        shown += [f"{v.fault}: {name}, {request.describe()}: {v.text}" for request, name, v in faults]
        answers, refusals = ([1e3 * v.took_s for *_, v in told if v.refused is no] for no in (False, True))
        print(
            f"{' + '.join(n.rsplit('_', 1)[0] for n in kind):<24} {len(told):>6} {len(refusals):>7} {len(faults):>6}"
            f"   {_times(answers):>15}   {_times(refusals):>16}"
        )
    print(f"{fields} spins; faults: {', '.join(f'{n} {name}' for name, n in total.items()) or 'none'}")
    print("\n".join(shown[: args.show]))
    return 1 if total else 0


def _times(ms: list[float]) -> str:
    return f"{np.mean(ms):.0f} ({np.percentile(ms, 95):.0f})" if ms else "-"


if __name__ == "__main__":
    raise SystemExit(main())
