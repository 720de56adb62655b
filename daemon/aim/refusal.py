"""Why a ball cannot be thrown: the limit that really prevents it, and the nearest ball that can be thrown."""

import math
from dataclasses import replace

import numpy as np

from drillfeed.daemon.aim.request import FIGURE_WORDS, AimRequest, Nearest, NoSolution, Solution
from drillfeed.daemon.aim.solve import breaks, candidates, is_legal, solutions, unlimited
from drillfeed.daemon.aim.thrower import Array, Limit, Thrower, broken, launches_by, rims_to_tell
from drillfeed.daemon.physics.flight_batch import FlightBatch, fly_many
from drillfeed.daemon.physics.launch import spin_parts
from drillfeed.daemon.physics.record import Until
from drillfeed.daemon.physics.table import NET_X_M
from drillfeed.daemon.physics.thrower import max_spin_revps
from drillfeed.protocol.texts.catalogue import text

# Differences that count as equally far from the ball asked for: defaults of ours.
SCALES = {
    "speed_mps": 1.0,
    "spin_revps": 8.0,
    "side_revps": 8.0,
    "tilt_deg": 5.0,
    "depth_m": 0.10,
    "clearance_m": 0.05,
    "apex_m": 0.10,
    "arrival_s": 0.05,
    "placement_m": 0.10,
}
OTHER_ARC = 9.0  # a ball on a different arc than asked for comes last
UNITS = {"speed_mps": "m/s", "spin_revps": "rev/s", "side_revps": "rev/s", "tilt_deg": "degrees", "arrival_s": "s"}


def refusal(thrower: Thrower, request: AimRequest) -> NoSolution:
    """Return why no setting throws the ball asked for, with the nearest ball that a setting does throw."""
    near = nearest(thrower, request)
    opened = unlimited(thrower)
    everywhere = candidates(opened, request)
    legal = [s for s in everywhere if is_legal(s) and not breaks(opened, s)]
    if legal:
        stops = [(breaks(thrower, s), s) for s in legal]
        limits, closest = min(stops, key=lambda pair: (len(pair[0]), abs(pair[1].tilt_deg)))
        return NoSolution(f"{request.describe()} {_why(thrower, closest, limits)}", limits, near)
    return NoSolution(f"{request.describe()}: {_no_machine(request, everywhere)}", (), near)


def _why(thrower: Thrower, s: Solution, limits: tuple[Limit, ...]) -> str:
    rims = rims_to_tell(thrower, s.speed_mps, s.spin_revps)
    top_fast = rims.top_mps >= rims.bottom_mps
    slow, fast = ("bottom", "top") if top_fast else ("top", "bottom")
    slow_mps, fast_mps = min(rims.top_mps, rims.bottom_mps), max(rims.top_mps, rims.bottom_mps)
    low, high = thrower.tilt_deg
    own = thrower.limits
    words: dict[Limit, str] = {
        "max_rim": text("aim.rim-max", fast=fast, fast_mps=fast_mps, max_mps=own.max_mps),
        "reverse": text("aim.reverse", slow=slow, slow_mps=slow_mps),
        "grip": text("aim.grip", slow=slow, slow_mps=slow_mps, grip_share=own.grip_share),
        "min_rim": text("aim.rim-min", slow=slow, slow_mps=slow_mps, min_mps=own.min_mps),
        "tilt_low": text("aim.tilt", tilt_deg=s.tilt_deg, low=low, high=high),
        "tilt_high": text("aim.tilt", tilt_deg=s.tilt_deg, low=low, high=high),
        "pan": text("aim.pan", pan_deg=s.pan_deg, reach=_reach(thrower.pan_deg, "pan")),
        "roll": text("aim.roll", roll_deg=s.roll_deg, reach=_reach(thrower.roll_deg, "roll")),
    }
    return text("aim.and").join(words[limit] for limit in limits)


def _reach(span: tuple[float, float] | None, axis: str) -> str:
    return text("aim.no-axis", axis=axis) if span is None else text("aim.reaches", low=span[0], high=span[1])


def _no_machine(request: AimRequest, everywhere: list[Solution]) -> str:
    """Say why not even a machine without limits throws it legally, from the throws that would meet the request."""
    seen = [s.flight.reason for s in everywhere if s.flight.reason]
    if seen:
        return text("aim.no-legal-ball", reason=seen[0])
    free = [word for word, given in (("speed", request.speed_mps), ("tilt", request.tilt_deg)) if given is None]
    return text("aim.no-arc-whatever", free=" and ".join(free)) if free else text("aim.no-arc")


def nearest(thrower: Thrower, request: AimRequest) -> Nearest | None:
    """Return the legal ball within the machine's limits that differs least from the one asked for."""
    leaning = _within_roll(thrower, request)
    same = solutions(thrower, leaning) if leaning != request else ()
    found = [*same, *_with_less_spin(thrower, leaning), *_best_of_many(thrower, leaning)]
    if not found:
        return None
    best = min(found, key=lambda s: _far(request, s))
    return Nearest(best, _differs(request, best))


def _within_roll(thrower: Thrower, request: AimRequest) -> AimRequest:
    """Return the request with the head leaning as far as it can, and what is left of its spin about that axis.

    Projection, which is the nearest such spin; without a roll axis that is its topspin.
    """
    low, high = thrower.roll_deg or (0.0, 0.0)
    lean = min(max(request.roll_deg, low), high)
    if lean == request.roll_deg:
        return request
    left = request.spin_revps * math.cos(math.radians(request.roll_deg - lean))
    return replace(request, spin_revps=left, roll_deg=lean)


def _with_less_spin(thrower: Thrower, request: AimRequest) -> list[Solution]:
    """Return the same ball with the highest spin that the wheels can give at the speed asked for."""
    if request.speed_mps is None:
        return []
    max_revps = (
        max_spin_revps(request.speed_mps / thrower.speed_share, thrower.limits, thrower.ball) * thrower.spin_share
    )
    if abs(request.spin_revps) <= max_revps:
        return []
    cut = math.copysign(math.floor(10.0 * max_revps) / 10.0, request.spin_revps)
    return list(solutions(thrower, replace(request, spin_revps=cut)))


def _best_of_many(thrower: Thrower, request: AimRequest, wanted: int = 3) -> list[Solution]:
    """Return valid balls from a table of throws within the limits; the nearest few are solved one by one."""
    speeds, tilts, spins = _axes(thrower, request)
    roll = request.roll_deg
    pan = 0.0
    until: Until = "landing" if request.arrival_s is None else "second"
    pairs = [(v, w) for v in speeds for w in spins if not broken(thrower, float(v), float(w), float(tilts[0]))]
    if not pairs:
        return []
    speed, spin = (np.repeat(column, len(tilts)) for column in np.array(pairs).T)
    tilt = np.tile(tilts, len(pairs))
    launches = launches_by(thrower, speed, spin, tilt, pan, roll)
    flights = fly_many(launches, air=thrower.air, ball=thrower.ball, until=until)
    far = _far_many(request, flights, speed, tilt, spin)
    found: list[Solution] = []
    for i in np.argsort(far)[:wanted]:
        if not math.isfinite(far[i]):
            break
        as_flown = AimRequest(float(spin[i]), speed_mps=float(speed[i]), tilt_deg=float(tilt[i]), roll_deg=roll)
        found.extend(solutions(thrower, as_flown))
        if request.speed_mps is not None and (request.placement_m is None or thrower.pan_deg is not None):
            found.extend(solutions(thrower, replace(request, spin_revps=float(spin[i]), speed_mps=float(speed[i]))))
    return found


def _axes(thrower: Thrower, request: AimRequest) -> tuple[Array, Array, Array]:
    low, high = thrower.tilt_deg
    max_mps = min(thrower.limits.max_mps * thrower.speed_share, 25.0)
    tilts = np.linspace(low, high, 31)
    if request.tilt_deg is not None:
        tilts = np.append(tilts, min(max(request.tilt_deg, low), high))
    speeds = np.linspace(3.0, max_mps, 24)
    if request.speed_mps is not None:
        own = min(request.speed_mps, max_mps)
        speeds = np.append(np.clip(own + np.linspace(-4.0, 2.0, 9), 1.0, max_mps), own)
    spins = request.spin_revps * np.array([1.0, 0.85, 0.65, 0.4, 0.2, 0.0])
    return speeds, tilts, spins


def _far_many(request: AimRequest, flights: FlightBatch, speed: Array, tilt: Array, spin: Array) -> Array:
    have = {
        "speed_mps": speed,
        "tilt_deg": tilt,
        "depth_m": flights.landing_x_m - NET_X_M,
        "clearance_m": flights.net_clearance_m,
        "apex_m": flights.apex_m,
        "arrival_s": flights.end_line_s,
        "placement_m": flights.landing_y_m,
    }
    far = ((spin - request.spin_revps) / SCALES["spin_revps"]) ** 2
    asked: dict[str, float] = {**request.given()}
    if request.placement_m is not None:
        asked["placement_m"] = request.placement_m
    for name, number in asked.items():
        far = far + ((have[name] - number) / SCALES[name]) ** 2
    serve = flights.own_half_bounces == 1
    if request.arc is not None:
        far = far + np.where(serve == (request.arc == "serve-wise"), 0.0, OTHER_ARC)
    return np.where(flights.valid & np.isfinite(far), far, np.inf)


def _figures_of(s: Solution) -> dict[str, float | None]:
    flight = s.flight
    topspin, sidespin = spin_parts(s.spin_revps, s.roll_deg)
    return {
        "speed_mps": s.speed_mps,
        "spin_revps": topspin,
        "side_revps": sidespin,
        "tilt_deg": s.tilt_deg,
        "depth_m": flight.depth_m,
        "clearance_m": flight.net_clearance_m,
        "apex_m": flight.apex_m,
        "arrival_s": flight.end_line.t_s if flight.end_line else None,
        "placement_m": flight.landing_m[1] if flight.landing_m else None,
    }


def _asked(request: AimRequest) -> dict[str, float]:
    topspin, sidespin = spin_parts(request.spin_revps, request.roll_deg)
    asked: dict[str, float] = {"spin_revps": topspin, "side_revps": sidespin, **request.given()}
    if request.placement_m is not None:
        asked["placement_m"] = request.placement_m
    return asked


def _far(request: AimRequest, s: Solution) -> float:
    have, far = _figures_of(s), 0.0 if s.arc == (request.arc or s.arc) else OTHER_ARC
    for name, number in _asked(request).items():
        found = have[name]
        far += math.inf if found is None else ((found - number) / SCALES[name]) ** 2
    return far


def _differs(request: AimRequest, s: Solution) -> str:
    """Say how the nearest ball differs from the one asked for, and where it lands."""
    have, words = _figures_of(s), []
    for name, number in _asked(request).items():
        found = have[name]
        if found is None or abs(found - number) < 0.002 * SCALES[name] / 0.1:
            continue
        unit = UNITS.get(name)
        word = text(FIGURE_WORDS[name])
        line = (
            text("aim.differs", found=found, unit=unit, number=number)
            if unit
            else text("aim.differs-cm", found_cm=100 * found, asked_cm=100 * number)
        )
        words.append(f"{word} {line}")
    depth = text("aim.lands", depth_cm=100 * (s.flight.depth_m or 0.0), tilt_deg=s.tilt_deg)
    return text(
        "aim.nearest",
        differences=", ".join(words) or text("aim.same-figures"),
        arc=s.arc,
        speed_mps=s.speed_mps,
        depth=depth,
    )
