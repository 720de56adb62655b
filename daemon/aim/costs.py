"""What each unknown value costs a machine's balls: how far one deviation moves landings and the way over the net.

Rule of this file: pure. Each ball is flown with each value off by a deviation either way, by the model that aims; half
of the difference is its effect. Effects of different values add as squares (textbook: first-order propagation).
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from drillfeed.daemon.aim.causes import NO_SHIFT, Cause, Shift
from drillfeed.daemon.aim.spread import WHEEL_SHARE, Setting, errors_of, launches_with
from drillfeed.daemon.aim.thrower import Thrower
from drillfeed.daemon.physics.flight_batch import fly_many
from drillfeed.daemon.physics.launch import Launches
from drillfeed.daemon.physics.widths import WIDTHS, Constants

Array = NDArray[np.float64]
CONSTANTS = ("drag", "lift", "friction", "restitution")
UNIFORM_SD = 1.0 / math.sqrt(3.0)  # of an even spread from -1 to 1
NINE_IN_TEN = 1.645
ZONE_M = 0.15  # the radius of a landing zone: a default of ours, as in `spread`


@dataclass(frozen=True)
class Effects:
    """Hold what one deviation of something does to each of n balls, each (n,): metres at the landing, over the net."""

    landing_m: Array
    net_m: Array

    @property
    def usual_landing_m(self) -> float:
        """Return the root of the mean square over the balls."""
        return _root_mean_square(self.landing_m)

    @property
    def usual_net_m(self) -> float:
        """Return the root of the mean square over the balls that pass the net."""
        return _root_mean_square(self.net_m)


def _root_mean_square(numbers: Array) -> float:
    known = numbers[np.isfinite(numbers)]
    return float(np.sqrt(np.mean(known**2))) if len(known) else 0.0


def effects_of(thrower: Thrower, settings: Sequence[Setting], shifts: Sequence[Shift]) -> list[Effects]:
    """Return the effects of shifts, then of the constants in the order of `CONSTANTS`, on balls thrown at settings."""
    launches, constants = [], []
    plain = np.array([thrower.ball.drag, thrower.ball.lift_slope, thrower.ball.lift_cap, thrower.ball.friction, 0.0])
    for shift in shifts:
        for sign in (1.0, -1.0):
            launches += [_thrown(thrower, setting, shift, sign) for setting in settings]
            constants += [plain] * len(settings)
    for name in CONSTANTS:
        for sign in (1.0, -1.0):
            launches += [_thrown(thrower, setting, NO_SHIFT, 0.0) for setting in settings]
            constants += [_off(plain, name, sign)] * len(settings)
    parts = ("position_m", "velocity_mps", "spin_radps")
    together = Launches(*(np.concatenate([getattr(launch, part) for launch in launches], axis=1) for part in parts))
    drag, slope, cap, friction, restitution = np.array(constants).T
    drawn = Constants(drag, slope, cap, friction, thrower.ball.restitution_shift + restitution)
    flights = fly_many(together, air=thrower.air, ball=thrower.ball, until="landing", constants=drawn)
    shape = (len(shifts) + len(CONSTANTS), 2, len(settings))
    depths, nets = flights.depth_m.reshape(shape), flights.net_clearance_m.reshape(shape)
    return [Effects(*((both[0] - both[1]) / 2.0 for both in pair)) for pair in zip(depths, nets, strict=True)]


def _thrown(thrower: Thrower, setting: Setting, shift: Shift, deviations: float) -> Launches:
    return launches_with(thrower, setting, 1, errors_of(shift, deviations, setting.tilt_deg, thrower))


def _off(plain: Array, name: str, sign: float) -> Array:
    """Return drag, lift slope and cap, friction and restitution shift, one of them off by a deviation."""
    off, lift = plain.copy(), 1.0 + sign * WIDTHS.lift_slope_sd / plain[1] if plain[1] else 1.0
    if name == "drag":
        off[0] += sign * WIDTHS.drag_sd
    elif name == "lift":
        off[1:3] *= lift
    elif name == "friction":
        off[3] += sign * UNIFORM_SD * WIDTHS.friction_reach
    else:
        off[4] += sign * WIDTHS.restitution_sds
    return off


def throws_differ(thrower: Thrower) -> tuple[Shift, ...]:
    """Return the shifts of what differs from throw to throw: wheels, speed, spin, angle and the tilt's play."""
    scatter = thrower.scatter
    return (
        Shift(top=WHEEL_SHARE),
        Shift(bottom=WHEEL_SHARE),
        Shift(speed=scatter.speed_share),
        Shift(spin=scatter.spin_share),
        Shift(tilt_deg=math.hypot(scatter.angle_deg, scatter.tilt_play_deg / math.sqrt(12.0))),
    )


@dataclass(frozen=True)
class Balance:
    """Hold what is unknown of a machine's balls: the effects of causes, of the constants, and of differing throws."""

    causes: tuple[tuple[Cause, Effects], ...]
    constants: tuple[tuple[str, Effects], ...]
    throws: tuple[Effects, ...]

    def landing_sd_m(self, better: Sequence[Cause] = (), without_constants: bool = False) -> float:
        """Return the usual deviation of a landing from its mark, with some causes replaced by better known ones."""
        shares = {cause.path: cause.sd for cause in better}
        squares = [effect.usual_landing_m**2 for effect in self.throws]
        for cause, effect in self.causes:
            if not cause.scatters:
                part = shares.get(cause.path, cause.sd) / cause.sd if cause.sd else 0.0
                squares.append((part * effect.usual_landing_m) ** 2)
        for name, effect in self.constants:
            if not (without_constants and name in ("drag", "lift")):
                squares.append(effect.usual_landing_m**2)
        return math.sqrt(sum(squares))


def balance_of(thrower: Thrower, causes: Sequence[Cause], settings: Sequence[Setting]) -> Balance:
    """Return what is unknown of the balls thrown at some settings."""
    throws = throws_differ(thrower)
    found = effects_of(thrower, settings, [*(cause.shift for cause in causes), *throws])
    count = len(causes)
    return Balance(
        tuple(zip(causes, found[:count], strict=True)),
        tuple(zip(CONSTANTS, found[count + len(throws) :], strict=True)),
        tuple(found[count : count + len(throws)]),
    )


def share_in_zone(landing_sd_m: float) -> float:
    """Return the share of balls that land within the zone's radius along the table (normal distribution)."""
    return math.erf(ZONE_M / (landing_sd_m * math.sqrt(2.0))) if landing_sd_m > 0.0 else 1.0
