"""What the guesses of a profile cost its balls, ranked, and which measurement is worth doing next.

Rule of this file: it joins aim, planning and the guided set-up for `check` and `profile improve`; it decides by figures
of the model, and reads no file but through `library`.
"""

import contextlib
from collections.abc import Sequence
from dataclasses import dataclass, replace

from drillfeed.daemon.aim.causes import Cause, causes_of, measured_well
from drillfeed.daemon.aim.costs import NINE_IN_TEN, Balance, Effects, balance_of, share_in_zone
from drillfeed.daemon.aim.thrower import rim_limits, thrower_of
from drillfeed.daemon.drills.balls import BallType
from drillfeed.daemon.machine import Machine
from drillfeed.daemon.planning.doubts import tempo_cost_s
from drillfeed.daemon.planning.fitting import fitted
from drillfeed.daemon.planning.rims import max_spin_at, shares
from drillfeed.daemon.planning.setting import NotPossible, Setting, setting_for, told
from drillfeed.daemon.survey.topics import Topic, topics_of

FEW = 3
# What counts as much as what, for the order: half a landing zone, the least way over the net, a late ball. Ours.
LANDING_M, NET_M, TEMPO_S = 0.075, 0.08, 0.2
SMALL = 0.02  # of that: costs below it are left out
WORTH = 0.05
MANY = 10  # rows that are shown
CALIBRATING = "drillfeed calibrate: 25 balls and a tape measure their landings, and with them all of this but the tempo"


@dataclass(frozen=True)
class Cost:
    """Hold what one value costs: one deviation of it in metres at the landing and over the net, and in seconds."""

    cause: Cause
    landing_m: float
    net_m: float
    tempo_s: float

    @property
    def weight(self) -> float:
        """Return how much it matters, for the order."""
        return max(self.landing_m / LANDING_M, self.net_m / NET_M, self.tempo_s / TEMPO_S)


@dataclass(frozen=True)
class Gain:
    """Hold what measuring one topic would bring: landings and tempo after it."""

    topic: Topic
    landing_sd_m: float
    tempo_s: float
    weight: float


@dataclass(frozen=True)
class Guesses:
    """Hold the costs of a machine's unknown values, the greatest first, and what there is to gain."""

    machine: Machine
    balls: int
    balance: Balance
    costs: tuple[Cost, ...]
    landing_sd_m: float
    gains: tuple[Gain, ...]


def thrown_by(machine: Machine, balls: Sequence[BallType]) -> list[tuple[BallType, Setting]]:
    """Return the balls that a machine throws; if they are few, with some of our own that it can."""
    found = _possible(machine, balls)
    return found if len(found) >= FEW else [*found, *_possible(machine, _own(machine))]


def _possible(machine: Machine, balls: Sequence[BallType]) -> list[tuple[BallType, Setting]]:
    possible = []
    for ball in balls:
        with contextlib.suppress(NotPossible):
            bent = fitted(ball, machine).ball
            possible.append((bent, setting_for(bent, machine)))
    return possible


def _own(machine: Machine) -> list[BallType]:
    """Return plain balls within the machine's reach: slow and fast, without spin and with some either way."""
    fastest = rim_limits(machine).max_mps * shares(machine)[0]
    balls = []
    for speed in (6.5, min(max(0.85 * fastest, 6.0), 12.0)):
        for part in (0.0, 0.6, -0.6):
            spin = round(part * min(max_spin_at(machine, speed), 30.0), 1)
            name = f"own-{speed:.0f}-{spin:.0f}".replace("--", "-back-")
            balls.append(
                BallType(name=name, title=name, speed_mps=speed, spin_revps=spin, depth_cm=100.0, level="beginner")
            )
    return balls


def guesses_of(machine: Machine, balls: Sequence[BallType], alike: bool) -> Guesses | None:
    """Return what the unknown values of a machine cost; None if its profile marks none, or it throws no ball.

    On a calibrated machine landings were measured, so only the tempo counts.
    """
    causes = causes_of(machine)
    thrown = thrown_by(machine, balls) if causes else []
    if not thrown:
        return None
    settings = [setting for _, setting in thrown]
    balance = balance_of(thrower_of(machine), causes, [told(ball, setting) for ball, setting in thrown])
    costs = [_cost(machine, cause, effects, settings) for cause, effects in balance.causes]
    costs.sort(key=lambda cost: -cost.weight)
    gains = [_gain(machine, topic, balance, settings) for topic in topics_of(machine, alike)]
    gains = sorted((gain for gain in gains if gain.weight > WORTH), key=lambda gain: -gain.weight)
    return Guesses(machine, len(thrown), balance, tuple(costs), balance.landing_sd_m(), tuple(gains))


def _cost(machine: Machine, cause: Cause, effects: Effects, settings: Sequence[Setting]) -> Cost:
    tempo_s = tempo_cost_s(machine, cause, settings)
    if machine.calibration is not None and not cause.scatters:
        return Cost(cause, 0.0, 0.0, tempo_s)
    return Cost(cause, effects.usual_landing_m, effects.usual_net_m, tempo_s)


def _gain(machine: Machine, topic: Topic, balance: Balance, settings: Sequence[Setting]) -> Gain:
    causes = [cause for cause, _ in balance.causes if cause.path in (*topic.keys, *topic.replaced)]
    better = [measured_well(cause) for cause in causes]
    landing_m = balance.landing_sd_m(better)
    tempo_s = sum(
        tempo_cost_s(machine, cause, settings) - tempo_cost_s(machine, well, settings)
        for cause, well in zip(causes, better, strict=True)
    )
    nearer_m = 0.0 if machine.calibration is not None else balance.landing_sd_m() - landing_m
    return Gain(topic, landing_m, tempo_s, max(nearer_m / LANDING_M, tempo_s / TEMPO_S))


def guess_lines(guesses: Guesses, file: str) -> list[str]:
    """Return the ranking in words: what each value costs, what all come to, and what to measure next."""
    machine = guesses.machine
    shown = [cost for cost in guesses.costs if cost.weight > SMALL]
    rows = [_cost_row(cost) for cost in shown[:MANY]]
    if machine.calibration is None:
        rows += [
            (f"({name} of the ball)", "published", effects.usual_landing_m, effects.usual_net_m, 0.0)
            for name, effects in guesses.balance.constants
            if effects.usual_landing_m > SMALL * LANDING_M
        ]
    width = max((len(what) for what, *_ in rows), default=0)
    lines = [
        f"  what isn't known exactly, and what one deviation of it does to the machine's {guesses.balls} balls:",
        f"    {'':<{width}}  {'known':<9} {'landing':>8} {'over net':>9} {'tempo':>7}",
        *(_line(width, *row) for row in rows),
    ]
    if len(shown) > MANY:
        lines.append(f"    and {len(shown) - MANY} values of less weight: drillfeed profile show {file}")
    if machine.calibration is None:
        lines.append(f"    all together, and throws differing: nine in ten land {_zone(guesses.landing_sd_m)}")
    return [*lines, *_next(guesses, file)]


def _zone(landing_sd_m: float) -> str:
    within = f"within {100 * NINE_IN_TEN * landing_sd_m:.0f} cm of their mark"
    return f"{within}, {100 * share_in_zone(landing_sd_m):.0f} % within 15 cm"


def _cost_row(cost: Cost) -> tuple[str, str, float, float, float]:
    cause = cost.cause
    what = f"{cause.path} = {cause.value:g} +- {float(f'{cause.sd:.2g}'):g}"
    if cause.path in ("wheels.top", "wheels.bottom"):
        what = f"{cause.path}: taken as like the other"
    return what, cause.basis, cost.landing_m, cost.net_m, cost.tempo_s


def _line(width: int, what: str, known: str, landing_m: float, net_m: float, tempo_s: float) -> str:
    landing = f"{100 * landing_m:.1f} cm" if landing_m >= 0.0005 else ""
    net = f"{100 * net_m:.1f} cm" if net_m >= 0.0005 else ""
    tempo = f"{tempo_s:.2f} s" if tempo_s >= 0.005 else ""
    return f"    {what:<{width}}  {known:<9} {landing:>8} {net:>9} {tempo:>7}".rstrip()


def _battery(guesses: Guesses) -> list[str]:
    """Return what a board that tells the battery's voltage would bring, if that is much."""
    sag = [cost.cause for cost in guesses.costs if cost.cause.path == "wheels.sag_share"]
    if not sag or guesses.machine.calibration is not None:
        return []
    told_m = guesses.balance.landing_sd_m([replace(cause, sd=0.0) for cause in sag])
    if guesses.landing_sd_m - told_m < 0.1 * LANDING_M:
        return []
    return [f"  a board that tells the battery's voltage would bring: nine in ten land {_zone(told_m)}"]


def _next(guesses: Guesses, file: str) -> list[str]:
    return [*_battery(guesses), *_measurement(guesses, file)]


def _measurement(guesses: Guesses, file: str) -> list[str]:
    if not guesses.gains:
        done = "the machine is calibrated" if guesses.machine.calibration is not None else f"next: {CALIBRATING}"
        return [f"  no single measurement would bring much more; {done}"]
    gain = guesses.gains[0]
    brings = []
    if guesses.machine.calibration is None and guesses.landing_sd_m - gain.landing_sd_m > 0.002:
        brings.append(f"nine in ten land {_zone(gain.landing_sd_m)}")
    if gain.tempo_s > 0.01:
        brings.append(f"tempo known {gain.tempo_s:.2f} s better")
    return [
        f"  worth measuring next: {gain.topic.name}, with {gain.topic.tool}",
        f"    then {', '.join(brings)}: drillfeed profile improve {file} {gain.topic.name}",
    ]
