"""A ball type is an intent: `fitted` bends it, within its tolerance, to the nearest ball that a machine can throw.

Rule of this file: a ball that the machine throws as written, with its margin, stays as written. A bent ball says so in
its title, its text shows the figures, and the same machine always gets the same ball. A trim does not change the fit.
"""

from dataclasses import dataclass, replace
from functools import lru_cache, partial

from drillfeed.daemon.aim.aiming import ways
from drillfeed.daemon.aim.fit import Bent, Intent, fit
from drillfeed.daemon.aim.request import Solution
from drillfeed.daemon.aim.thrower import NO_RIM_LIMITS, WIDE_TILT, Span, Thrower, broken, thrower_of
from drillfeed.daemon.drills.balls import ARRIVAL_REVPS, BallType
from drillfeed.daemon.machine import Machine
from drillfeed.daemon.physics.launch import DEFAULT_BACK_M, DEFAULT_HEIGHT_M, spin_parts
from drillfeed.daemon.physics.record import Flight
from drillfeed.daemon.planning.setting import NotPossible, depths_cm, request_for, roll_for, setting_for
from drillfeed.protocol.texts.catalogue import text

MIN_CLEARANCE_M = 0.08  # of a bent ball over the tape: a default of ours
MIN_SERVE_CLEARANCE_M = 0.05
USUAL = Thrower(
    name="usual",
    limits=NO_RIM_LIMITS,
    top_diameter_m=0.06,
    bottom_diameter_m=0.06,
    wheel_inertia_kgm2=1e-4,
    tilt_deg=WIDE_TILT,
    pan_deg=None,
    roll_deg=(-180.0, 180.0),
    height_m=DEFAULT_HEIGHT_M,
    back_m=DEFAULT_BACK_M,
)
"""A thrower without limits at the usual place: what it throws is the ball type as it was meant."""


@dataclass(frozen=True)
class Fitted:
    """A ball type as one machine throws it. `text` says what was bent; it is empty if the ball is as written."""

    ball: BallType
    text: str = ""


def fitted(ball: BallType, machine: Machine) -> Fitted:
    """Return the ball nearest to a ball type that the machine can throw; raise NotPossible beyond the tolerance.

    A ball type that gives its tilt is thrown as written or not at all.
    """
    roll_for(ball, machine)
    if ball.tilt_deg is None:
        found = _fit(ball, _with_margin(machine))
        if found is not None:
            return found
    try:
        setting_for(ball, machine)
    except NotPossible as error:
        if ball.tilt_deg is not None:
            raise
        raise NotPossible(text("fit.beyond", error=error, tolerance=ball.tolerance.text), error.do) from None
    return Fitted(ball)


@lru_cache(maxsize=1024)
def written_flight(ball: BallType) -> Flight | None:
    """Return the flight of a ball type as written, from the usual opening; None if no machine throws it from there."""
    if ball.tilt_deg is not None:
        return None
    return next((way.flight for depth_cm in depths_cm(ball) for way in _ways(ball, USUAL, depth_cm)), None)


def _with_margin(machine: Machine) -> Thrower:
    """Return the machine with the rim speed that its wheels still reach when the battery is low."""
    thrower = thrower_of(machine)
    max_mps = thrower.limits.max_mps * (1.0 - machine.sag_share)
    return replace(thrower, limits=replace(thrower.limits, max_mps=max_mps))


def _ways(ball: BallType, thrower: Thrower, depth_cm: float) -> list[Solution]:
    """Return how the machine throws a ball type to a depth, best first, if it can."""
    found = ways(thrower, request_for(ball, thrower, depth_cm))
    return [way for way in found if ball.length in (None, way.flight.length)]


@lru_cache(maxsize=1024)
def _fit(ball: BallType, thrower: Thrower) -> Fitted | None:
    """Return the ball as written if the machine throws it, else the nearest one; None if there is none."""
    rims_hold = not broken(thrower, ball.speed_mps, ball.head.revps, thrower.tilt_deg[0], roll_deg=ball.head.roll_deg)
    if rims_hold and any(_ways(ball, thrower, depth_cm) for depth_cm in depths_cm(ball)):
        return Fitted(ball)
    apex_m = _apex_span(ball)
    for depth_cm in depths_cm(ball):
        intent = _intent(ball, depth_cm, apex_m)
        bent = fit(thrower, intent, partial(_is_good, ball, thrower, intent))
        if bent is not None:
            return _told(ball, depth_cm, bent)
    return None


def _intent(ball: BallType, depth_cm: float, apex_m: Span | None) -> Intent:
    tolerance, (spin_revps, roll_deg) = ball.tolerance, ball.head
    serve = ball.arc == "serve-wise"
    return Intent(
        speed_mps=ball.speed_mps,
        spin_revps=spin_revps,
        depth_m=depth_cm / 100,
        arc=ball.arc,
        speed_reach_mps=tolerance.speed_mps,
        spin_reach_revps=tolerance.spin_reach(spin_revps),
        depth_reach_m=tolerance.depth_cm / 100,
        min_clearance_m=MIN_SERVE_CLEARANCE_M if serve else MIN_CLEARANCE_M,
        apex_m=apex_m,
        roll_deg=roll_deg,
    )


def _apex_span(ball: BallType) -> Span | None:
    """Return how high a high ball may rise, None for other arcs."""
    flight = written_flight(ball) if ball.arc == "high" else None
    if flight is None:
        return None
    return flight.apex_m * (1.0 - ball.tolerance.apex_share), flight.apex_m * (1.0 + ball.tolerance.apex_share)


def _is_good(ball: BallType, thrower: Thrower, intent: Intent, bent: Bent) -> bool:
    """Tell whether the machine throws a bent ball as its type wants it, by the whole flight."""
    found = _ways(_as_bent(ball, bent), thrower, 100 * bent.depth_m)
    if not found:
        return False
    flight = found[0].flight
    low_m, high_m = intent.apex_m or (0.0, float("inf"))
    assert flight.landing is not None and flight.net_clearance_m is not None
    return (
        flight.net_clearance_m >= intent.min_clearance_m
        and low_m <= flight.apex_m <= high_m
        and _arrives(ball, flight.landing.spin_after_revps)
    )


def _arrives(ball: BallType, spin_after_revps: float) -> bool:
    if ball.arrives is None:
        return True
    low, high = ARRIVAL_REVPS[ball.arrives]
    return low <= spin_after_revps <= high


def _as_bent(ball: BallType, bent: Bent) -> BallType:
    topspin, sidespin = spin_parts(bent.spin_revps, ball.head.roll_deg)
    return ball.model_copy(
        update={
            "speed_mps": bent.speed_mps,
            "spin_revps": round(topspin, 2) + 0.0,
            "side_revps": round(sidespin, 2) + 0.0,
            "depth_cm": round(100 * bent.depth_m, 1),
        }
    )


def _told(written: BallType, depth_cm: float, bent: Bent) -> Fitted:
    """Return the bent ball; its text gives speed and spin, and the depth if that was bent."""
    ball = _as_bent(written, bent)
    line = text("fit.fitted", speed_mps=ball.speed_mps, spin_text=ball.spin_text)
    if ball.depth_cm is not None and abs(ball.depth_cm - depth_cm) > 0.05:
        line += text("fit.depth", depth_cm=ball.depth_cm)
    return Fitted(ball.model_copy(update={"title": f"{written.title}, {line}"}), line)
