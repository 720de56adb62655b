"""From a ball type to the setting of a machine's axes, or to the limit that stops it and the nearest ball.

Rule of this file: a ball is never changed silently. If the machine can't throw it, it is refused with the
name of the limit, the figures, and the nearest ball that the machine can throw.
"""

import math
from dataclasses import dataclass

from drillfeed.daemon.aim import spread
from drillfeed.daemon.aim.aiming import aim
from drillfeed.daemon.aim.request import AimRequest, NoSolution, Solution
from drillfeed.daemon.aim.thrower import Thrower, launch_by, rim_limits, rims_to_tell, thrower_of
from drillfeed.daemon.drills.balls import BallType
from drillfeed.daemon.machine import Machine
from drillfeed.daemon.physics.flight import fly
from drillfeed.daemon.physics.launch import spin_parts
from drillfeed.daemon.physics.record import Flight
from drillfeed.daemon.physics.table import HALF_WIDTH_M, NET_X_M
from drillfeed.daemon.physics.thrower import Rims, broken_limit, throw
from drillfeed.daemon.planning.rims import flywheels, nearest, why_not
from drillfeed.protocol.texts.catalogue import text

# Depths to try, in cm past the net, for a ball type that gives only its length: defaults of ours.
DEPTHS_CM: dict[str, tuple[float, ...]] = {
    "short": (50.0, 40.0, 30.0, 60.0),
    "half-long": (80.0, 90.0, 70.0, 100.0, 60.0, 110.0, 50.0, 120.0),
    "long": (105.0, 115.0, 95.0, 125.0, 85.0),
}
USUAL_DEPTH_M = 1.0
USUAL_STEP = "step.another-drill"
"""Id of the next step if a machine can't do what is asked."""


HALF_PLACE_DEG = 0.0005
"""Half of the last place that an angle is rounded to: a lean that is off its limit by less counts as at the limit."""


class NotPossible(Exception):
    """This machine can't do what is asked; the text names the limit and the nearest thing possible.

    `do` is the next step for this limit; if None, the usual one.
    """

    def __init__(self, what: str, do: str | None = None) -> None:
        super().__init__(what)
        self.do = text(USUAL_STEP) if do is None else do


@dataclass(frozen=True)
class Setting:
    """The axes for one ball: wheels in rpm, angles in degrees, and by how much the ball slows each wheel."""

    top_rpm: float
    bottom_rpm: float
    tilt_deg: float
    pan_deg: float | None = None
    roll_deg: float | None = None
    top_dip_rpm: float = 0.0
    bottom_dip_rpm: float = 0.0


def rims_asked(machine: Machine, ball: BallType) -> Rims:
    """Return the rim speeds to set for a ball; raise NotPossible with the limit and the nearest ball."""
    spin, roll_deg = ball.head
    rims, limits = rims_to_tell(thrower_of(machine), ball.speed_mps, spin), rim_limits(machine)
    limit = broken_limit(rims, limits)
    if limit is None:
        return rims
    speed, near = nearest(machine, ball.speed_mps, spin)
    raise NotPossible(
        text(
            "setting.spin",
            spin_text=ball.spin_text,
            speed_mps=ball.speed_mps,
            why=why_not(limit, rims, limits),
            nearest=_parts_text(near, roll_deg),
            nearest_mps=speed,
        )
    )


def _parts_text(spin_revps: float, roll_deg: float) -> str:
    """Return a spin as topspin and sidespin in tenths, which need no more spin and no more lean than the spin itself.

    Sidespin is cut to a tenth. Topspin is rounded up if less of it would lean the head further. If the two together are
    then too much, sidespin is reduced.
    """
    if not roll_deg:
        return text("setting.topspin", spin_revps=spin_revps)
    topspin, sidespin = spin_parts(spin_revps, roll_deg)
    lean, most = abs(math.tan(math.radians(roll_deg))), 100 * spin_revps**2 + 1e-6
    plain, side = int(abs(10 * topspin) + 1e-6), int(abs(10 * sidespin) + 1e-6)
    top = max(plain, math.ceil(side / lean - 1e-9))
    while side and top**2 + side**2 > most:
        side -= 1
        top = max(plain, math.ceil(side / lean - 1e-9))
    signed = math.copysign(top / 10, topspin) + 0.0, math.copysign(side / 10, sidespin) + 0.0
    return text("setting.topspin-and-sidespin", topspin=signed[0], sidespin=signed[1])


def roll_for(ball: BallType, machine: Machine) -> float | None:
    """Return the roll that turns a ball's spin into topspin and sidespin, None without the axis; raise NotPossible.

    The nearest ball is the one whose spin differs least from the spin asked for: the head leans as far as it can, and
    the spin is projected on the axis of the head. So it never needs more from the wheels.
    """
    axis = machine.roll
    if axis is None:
        if ball.side_revps:
            raise NotPossible(text("setting.no-roll", side_revps=ball.side_revps, spin_revps=ball.spin_revps))
        return None
    spin, roll_deg = ball.head
    if not ball.side_revps:
        return 0.0
    if not axis.low_deg - HALF_PLACE_DEG <= roll_deg <= axis.high_deg + HALF_PLACE_DEG:
        near_deg = min(max(roll_deg, axis.low_deg), axis.high_deg)
        near = _parts_text(spin * math.cos(math.radians(roll_deg - near_deg)), near_deg)
        raise NotPossible(
            text(
                "setting.roll",
                spin_text=ball.spin_text,
                roll_deg=roll_deg,
                low_deg=axis.low_deg,
                high_deg=axis.high_deg,
                near=near,
            )
        )
    return min(max(round(roll_deg, 3), axis.low_deg), axis.high_deg)


def tilt_for(ball: BallType, machine: Machine) -> float:
    """Return the tilt that lands a ball where its type says; raise NotPossible with the reason."""
    tilt = machine.tilt
    if ball.tilt_deg is None:
        return round(solution_for(ball, machine).tilt_deg, 3)
    if not tilt.low_deg <= ball.tilt_deg <= tilt.high_deg:
        near = min(max(ball.tilt_deg, tilt.low_deg), tilt.high_deg)
        raise NotPossible(
            text("setting.tilt", tilt_deg=ball.tilt_deg, low_deg=tilt.low_deg, high_deg=tilt.high_deg, near=near)
        )
    return ball.tilt_deg


def solution_for(ball: BallType, machine: Machine) -> Solution:
    """Return how a machine throws a ball type that gives where it lands, with its trim; raise NotPossible.

    With pan, a ball with sidespin is aimed so that it lands where it would land without the bend.
    """
    roll_for(ball, machine)
    thrower, trim_cm = thrower_of(machine), machine.trims.of(ball.name).long_cm
    refused: NoSolution | None = None
    for depth_cm in depths_cm(ball):
        try:
            found = aim(thrower, request_for(ball, thrower, depth_cm + trim_cm))
        except NoSolution as error:
            refused = refused or error
            continue
        fitting = [solution for solution in found if ball.length in (None, solution.flight.length)]
        if fitting:
            return fitting[0]
    if refused is not None:
        raise NotPossible(str(refused))
    raise NotPossible(text("setting.no-arc", arc=ball.arc, length=ball.length))


def depths_cm(ball: BallType) -> tuple[float, ...]:
    """Return the depths to try for a ball type, in cm past the net: its own, or the usual ones for its length."""
    return DEPTHS_CM[ball.length or "long"] if ball.depth_cm is None else (ball.depth_cm,)


def request_for(ball: BallType, thrower: Thrower, depth_cm: float) -> AimRequest:
    """Return what to ask of aiming for a ball type at a depth past the net; raise NotPossible off the table."""
    depth_m = min(max(depth_cm, 1.0), 136.9) / 100
    return AimRequest(
        ball.head.revps,
        speed_mps=ball.speed_mps,
        depth_m=depth_m,
        placement_m=_straight_on_m(thrower, depth_m) if ball.side_revps and thrower.pan_deg else None,
        roll_deg=ball.head.roll_deg,
        arc=ball.arc,
    )


def _straight_on_m(thrower: Thrower, depth_m: float) -> float:
    """Return how far left of the centre line a ball thrown straight on, without sidespin, lands, in m."""
    way_m = thrower.back_m + NET_X_M + depth_m
    aside_m = thrower.sideways_m + way_m * math.tan(math.radians(thrower.yaw_deg))
    if abs(aside_m) > HALF_WIDTH_M:
        raise NotPossible(text("setting.straight-on", aside_cm=100 * abs(aside_m)))
    return aside_m


def flight_for(ball: BallType, machine: Machine) -> Flight:
    """Return the flight of a ball type with this machine's setting for it; raise NotPossible."""
    if ball.tilt_deg is None:
        return solution_for(ball, machine).flight
    thrower = thrower_of(machine)
    roll_deg = roll_for(ball, machine) or 0.0
    launch = launch_by(thrower, ball.speed_mps, ball.head.revps, tilt_for(ball, machine), roll_deg=roll_deg)
    return fly(launch, ball=thrower.ball, air=thrower.air)


def reach(ball: BallType, machine: Machine) -> tuple[float, float]:
    """Return how far from the opening a ball lands, in m along the ground, and by how many degrees it bends left.

    If it lands nowhere, the result is the usual depth and no bend. Pan turns a whole flight about the vertical line
    through the opening, so both values are the same in every direction. Without sidespin a flight does not bend.
    """
    flight = flight_for(ball, machine)
    start_x_m, start_y_m, _ = flight.launch.position_m
    if flight.landing is None:
        return NET_X_M + USUAL_DEPTH_M - start_x_m, 0.0
    along_m, aside_m = flight.landing.x_m - start_x_m, flight.landing.y_m - start_y_m
    if not ball.side_revps:
        return math.hypot(along_m, aside_m), 0.0
    set_out = math.atan2(flight.launch.velocity_mps[1], flight.launch.velocity_mps[0])
    return math.hypot(along_m, aside_m), math.degrees(math.atan2(aside_m, along_m) - set_out)


def bend_text(ball: BallType, machine: Machine) -> str | None:
    """Say how far off the middle a ball with sidespin lands on a machine without pan; else None."""
    if not ball.side_revps or machine.pan is not None:
        return None
    landing = flight_for(ball, machine).landing
    if landing is None:
        return None
    aside = text(
        "setting.aside",
        aside_cm=100 * abs(landing.y_m),
        way=text("setting.left") if landing.y_m > 0 else text("setting.right"),
    )
    return text("setting.bend", aside=aside, name=machine.name)


def pan_to(ball: BallType, machine: Machine, leftward_m: float, why: str) -> float:
    """Return the pan in degrees that lands a ball `leftward_m` left of the centre line, with its trim added.

    Left is as the thrower sees it. Raises NotPossible beyond the limits of pan; `why` is the purpose of the turn.
    """
    opening, axis = machine.opening, machine.pan
    assert axis is not None
    aside_m = leftward_m + machine.trims.of(ball.name).left_cm / 100 - opening.sideways_m
    way_m, bend_deg = reach(ball, machine)
    pan_deg = math.degrees(math.asin(max(min(aside_m / way_m, 1.0), -1.0))) - opening.yaw_deg - bend_deg
    if not axis.low_deg <= pan_deg <= axis.high_deg:
        near = min(max(pan_deg, axis.low_deg), axis.high_deg)
        raise NotPossible(
            text("setting.pan", pan_deg=pan_deg, why=why, low_deg=axis.low_deg, high_deg=axis.high_deg, near=near)
        )
    return round(pan_deg, 3) + 0.0  # never -0.0


def plain_pan(ball: BallType, machine: Machine) -> float | None:
    """Return the pan of a ball that is thrown to no side: it lands straight on, moved by its trim; None without pan."""
    if machine.pan is None:
        return None
    trimmed = bool(machine.trims.of(ball.name).left_cm)
    if not trimmed and not ball.side_revps:
        return 0.0
    opening = machine.opening
    way_m, _ = reach(ball, machine)
    straight_m = opening.sideways_m + way_m * math.sin(math.radians(opening.yaw_deg))
    return pan_to(
        ball, machine, straight_m, text("setting.for-its-trim") if trimmed else text("setting.against-its-bend")
    )


def setting_for(ball: BallType, machine: Machine) -> Setting:
    """Return the setting that throws `ball` on `machine`; raise NotPossible with the reason."""
    roll_deg = roll_for(ball, machine)
    rims = rims_asked(machine, ball)
    tilt_deg = tilt_for(ball, machine)
    *_, after = throw(rims, *flywheels(machine))
    return Setting(
        top_rpm=round(machine.top.rpm(rims.top_mps), 3),
        bottom_rpm=round(machine.bottom.rpm(rims.bottom_mps), 3),
        tilt_deg=tilt_deg,
        pan_deg=plain_pan(ball, machine),
        roll_deg=roll_deg,
        top_dip_rpm=round(max(machine.top.rpm(rims.top_mps - after.top_mps), 0.0), 3),
        bottom_dip_rpm=round(max(machine.bottom.rpm(rims.bottom_mps - after.bottom_mps), 0.0), 3),
    )


def told(ball: BallType, setting: Setting) -> spread.Setting:
    """Return the launch for a ball's setting, to work out how its balls scatter."""
    return spread.Setting(
        ball.speed_mps, ball.head.revps, setting.tilt_deg, setting.pan_deg or 0.0, setting.roll_deg or 0.0
    )
