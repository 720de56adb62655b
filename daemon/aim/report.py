"""Flights and solutions in words and as JSON: SI units in JSON; cm, degrees, rev/s and rpm for people."""

import math
from typing import Any

from drillfeed.daemon.aim.likely import Likely
from drillfeed.daemon.aim.ranges import range_text, share_text
from drillfeed.daemon.aim.request import NoSolution, Solution
from drillfeed.daemon.aim.spread import Spread
from drillfeed.daemon.aim.unknown import Unknown
from drillfeed.daemon.physics.launch import spin_parts
from drillfeed.daemon.physics.record import Bounce, Flight
from drillfeed.daemon.physics.table import MEASURED_SPEED_MPS, MEASURED_SPIN_REVPS, VALID_SPEED_MPS, VALID_SPIN_REVPS

LIKELY_TEXT = (
    "likely: nine in ten, as widely as drag, lift, friction and restitution are known; the launch taken as exact"
)


def flight_record(flight: Flight, likely: Likely | None = None) -> dict[str, Any]:
    """Return a flight as a JSON object: metres, seconds, m/s, rev/s; null for what never happened."""
    landing, passage = flight.landing, flight.end_line
    return {
        "valid": flight.valid,
        "reason": flight.reason,
        "in_model_range": flight.in_model_range,
        "extrapolated": flight.extrapolated,
        "time_s": _round(flight.time_s),
        "landing_m": None if flight.landing_m is None else [_round(v) for v in flight.landing_m],
        "depth_m": _round(flight.depth_m),
        "net_clearance_m": _round(flight.net_clearance_m),
        "apex_m": _round(flight.apex_m),
        "landing_speed_mps": _round(flight.landing_speed_mps),
        "speed_after_mps": None if landing is None else _round(landing.speed_after_mps),
        "spin_after_revps": None if landing is None else _round(landing.spin_after_revps),
        "side_after_revps": None if landing is None else _round(landing.side_after_revps),
        "length": flight.length,
        "second_bounce_m": _round(flight.second_bounce_m),
        "bounces": [
            {
                "t": _round(b.t_s),
                "x": _round(b.x_m),
                "y": _round(b.y_m),
                "half": b.half,
                "edge": b.edge,
                "spin_after_revps": _round(b.spin_after_revps),
                "side_after_revps": _round(b.side_after_revps),
                "speed_after_mps": _round(b.speed_after_mps),
            }
            for b in flight.bounces
        ],
        "end_line": None
        if passage is None
        else {
            "t": _round(passage.t_s),
            "y": _round(passage.y_m),
            "z": _round(passage.z_m),
            "speed_mps": _round(passage.speed_mps),
            "spin_revps": _round(passage.spin_revps),
            "side_revps": _round(passage.side_revps),
        },
        "likely": None if likely is None else likely_record(likely),
    }


def likely_record(likely: Likely) -> dict[str, Any]:
    """Return ranges as a JSON object, by the figure's name: the limits between which nine in ten draws lie."""
    return {
        "share_good": _round(likely.share_good),
        **{name: [_round(end) for end in ends] for name, ends in likely.ranges.items()},
    }


def solution_record(s: Solution, likely: Likely | None = None) -> dict[str, Any]:
    """Return a solution as a JSON object: its setting, the effect of an error, and its flight's figures."""
    topspin, sidespin = spin_parts(s.spin_revps, s.roll_deg)
    return {
        "arc": s.arc,
        "speed_mps": _round(s.speed_mps),
        "spin_revps": _round(s.spin_revps),
        "topspin_revps": _round(topspin),
        "sidespin_revps": _round(sidespin),
        "tilt_deg": _round(s.tilt_deg, 4),
        "pan_deg": _round(s.pan_deg, 4),
        "roll_deg": _round(s.roll_deg, 4),
        "top_rpm": _round(s.top_rpm, 2),
        "bottom_rpm": _round(s.bottom_rpm, 2),
        "top_rim_mps": _round(s.rims.top_mps),
        "bottom_rim_mps": _round(s.rims.bottom_mps),
        "depth_per_degree_m": _round(s.depth_per_degree_m, 4),
        "depth_per_percent_m": _round(s.depth_per_percent_m, 4),
        **flight_record(s.flight, likely),
    }


def refusal_record(error: NoSolution) -> dict[str, Any]:
    """Return a refusal as a JSON object: the reason, the limits that stop it, the nearest ball possible."""
    near = error.nearest
    return {
        "solutions": [],
        "reason": error.reason,
        "limits": list(error.limits),
        "nearest": None if near is None else {"differs": near.differs, **solution_record(near.solution)},
    }


def spread_record(found: Spread) -> dict[str, Any]:
    """Return a spread as a JSON object: shares of all balls; metres and degrees over the legal ones."""
    ellipse = found.ellipse
    return {
        "balls": found.balls,
        "share_on_table": _round(found.share_good),
        "share_over_net": _round(found.share_over_net),
        "share_in_zone": _round(found.share_in_zone),
        "depth_m": _round(found.depth_m),
        "side_m": _round(found.side_m),
        "depth_sd_m": _round(found.depth_sd_m),
        "side_sd_m": _round(found.side_sd_m),
        "ellipse_90": None
        if ellipse is None
        else {
            "long_m": _round(ellipse.long_m),
            "short_m": _round(ellipse.short_m),
            "angle_deg": _round(ellipse.angle_deg, 2),
        },
        "warning": found.warning,
    }


def spread_lines(found: Spread, likely: Likely | None = None) -> list[str]:
    """Return a spread in words, the middle of its landings with its range."""
    lines = [
        f"on the table    {share_text(found.share_good)}",
        f"over the net    {share_text(found.share_over_net)}",
        f"in the zone     {share_text(found.share_in_zone)}",
    ]
    if found.depth_m is not None and found.depth_sd_m is not None and found.side_sd_m is not None:
        middle = range_text(likely, "depth_m", found.depth_m, 100.0)
        about = f" (its middle likely {middle})" if middle else ""
        lines.append(
            f"landing         {100 * found.depth_m:.0f} cm past the net{about}, "
            f"+- {100 * found.depth_sd_m:.0f} cm along, +- {100 * found.side_sd_m:.0f} cm across (standard deviations)"
        )
    if found.ellipse is not None:
        e = found.ellipse
        lines.append(
            f"nine in ten     within an ellipse of {200 * e.long_m:.0f} by {200 * e.short_m:.0f} cm, "
            f"its long axis {round(e.angle_deg) + 0:+d} degrees from the table's"
        )
    return [*lines, found.warning] if found.warning else lines


def unknown_text(name: str, unknown: Unknown, told: str | None) -> str:
    """Say what is assumed as known of a machine; `told` is the text of its calibration."""
    if unknown.uncalibrated and unknown.shifts:
        top, tilt = (math.hypot(*(getattr(shift, name) for shift in unknown.shifts)) for name in ("top", "tilt_deg"))
        stop = math.hypot(*(shift.low_stop_deg for shift in unknown.shifts), tilt)
        return (
            f"{name} is uncalibrated: by its profile the wheels are known to {100 * top:.1f} %, "
            f"the tilt at its stop to {stop:.1f} degrees"
        )
    if unknown.uncalibrated:
        return (
            f"{name} is uncalibrated: wheels taken as known to {100 * unknown.wheel_share:g} % each, "
            f"tilt to {unknown.tilt_deg:g} degree"
        )
    if unknown.scatter_m is None:
        return f"{name} is {told}: it measured no scatter: the profile's is used"
    return f"{name} is {told}: its measured scatter of {100 * unknown.scatter_m:g} cm is used"


def extrapolated_text(flight: Flight) -> str | None:
    """Say that a ball lies outside the flights that drag and lift were fitted to; None if it does not."""
    if not flight.extrapolated:
        return None
    text = f"extrapolated: drag and lift were fitted to flights of {_span(MEASURED_SPEED_MPS, MEASURED_SPIN_REVPS)}"
    if flight.in_model_range:
        return text
    return f"{text}, and are not meant for more than {_span(VALID_SPEED_MPS, VALID_SPIN_REVPS)}"


def _span(speeds: tuple[float, float], spins: tuple[float, float]) -> str:
    return f"{speeds[0]:g}-{speeds[1]:g} m/s and {spins[0]:g}-{spins[1]:g} rev/s"


def flight_lines(flight: Flight, likely: Likely | None = None) -> list[str]:
    """Return a flight in words, one fact a line, each figure with its range if it has one."""

    def cm(name: str, number_m: float, after: str = "") -> str:
        ends = range_text(likely, name, number_m, 100.0)
        return f"{100 * number_m:.0f} cm{after}{f' (likely {ends})' if ends else ''}"

    lines = []
    if flight.net_clearance_m is not None:
        lines.append(f"over the net    {cm('net_clearance_m', flight.net_clearance_m)}, underside over the tape")
    lines.append(f"highest         {cm('apex_m', flight.apex_m, ' above the table')}, the centre")
    for n, b in enumerate(flight.bounces):
        edge, first = ", on the edge" if b.edge else "", b is flight.landing
        along = f"{100 * b.x_m:.0f} cm along" if n else cm("first_bounce_m", b.x_m, " along")
        lines.append(
            f"{'touches' if b.half == 'player' else 'own half':<15} {along}, {_side(b.y_m)}, after {b.t_s:.2f} s"
            f"{edge}; leaves at {_leaving(b, likely if first else None)}"
        )
    if flight.depth_m is not None:
        second = flight.second_bounce_m
        way = f"; comes down again {cm('second_bounce_m', second, ' past the net')}" if second is not None else ""
        lines.append(
            f"depth           {cm('depth_m', flight.depth_m, ' past the net')}, {flight.length or 'length open'}{way}"
        )
    if flight.end_line is not None:
        p = flight.end_line
        time = range_text(likely, "end_line_s", p.t_s, min_step=0.01)
        lines.append(
            f"end line        after {p.t_s:.2f} s{f' (likely {time})' if time else ''}, "
            f"{cm('end_line_z_m', p.z_m, ' high')}, {p.speed_mps:.1f} m/s, "
            f"{spin_text(p.spin_revps, p.side_revps)}; {_side(p.y_m)}"
        )
    lines.append("a good ball" if flight.valid else f"no good: {flight.reason}")
    if likely is not None:
        if flight.valid and likely.share_good < 0.95:
            lines.append(f"no good in {share_text(1.0 - likely.share_good)} of the likely cases")
        lines.append(LIKELY_TEXT)
    extrapolated = extrapolated_text(flight)
    return [*lines, extrapolated] if extrapolated else lines


def _leaving(bounce: Bounce, likely: Likely | None) -> str:
    speed = range_text(likely, "speed_after_mps", bounce.speed_after_mps, min_step=0.1)
    spin = range_text(likely, "spin_after_revps", bounce.spin_after_revps, signed=True)
    return (
        f"{bounce.speed_after_mps:.1f} m/s{f' (likely {speed})' if speed else ''}, "
        f"{spin_text(bounce.spin_after_revps, bounce.side_after_revps, f' (likely {spin})' if spin else '')}"
    )


def solution_line(s: Solution, likely: Likely | None = None) -> str:
    """Return a solution as one line for a table, with the ranges of what arrives in brackets."""
    flight = s.flight

    def ranged(name: str, number: float, scale: float = 1.0, signed: bool = False) -> str:
        text = range_text(likely, name, number, scale, signed=signed)
        return f" ({text})" if text else ""

    depth, net = flight.depth_m or 0.0, flight.net_clearance_m
    far = f"{100 * depth:.0f} cm{ranged('depth_m', depth, 100.0)}"
    over = "beside" if net is None else f"{100 * net:.0f} cm{ranged('net_clearance_m', net, 100.0)}"
    pan = f"  pan {s.pan_deg:+.1f}" if s.pan_deg else ""
    roll = f"  roll {s.roll_deg:+.1f}" if s.roll_deg else ""
    topspin, sidespin = spin_parts(s.spin_revps, s.roll_deg)
    side = f", side {sidespin:+.1f}" if s.roll_deg else ""
    after = flight.landing
    aside = f", {_side(flight.landing_m[1])}" if s.roll_deg and flight.landing_m else ""
    bat = "-"
    if after:
        about = ranged("spin_after_revps", after.spin_after_revps, signed=True)
        bat = f"{spin_text(after.spin_after_revps, after.side_after_revps, about)} {after.speed_after_mps:.1f} m/s"
    return (
        f"{s.arc:<10} {s.speed_mps:5.2f} m/s {topspin:+5.1f} rev/s{side}  tilt {s.tilt_deg:6.2f}{pan}{roll}  "
        f"top {s.top_rpm:5.0f} rpm  bottom {s.bottom_rpm:5.0f} rpm  "
        f"depth {far}{aside} {flight.length or '':<9} net {over:<18}  after the bounce {bat:<31} "
        f"{100 * s.depth_per_degree_m:+.1f} cm/degree, {100 * s.depth_per_percent_m:+.1f} cm/% speed"
    )


def spin_text(topspin_revps: float, sidespin_revps: float, about: str = "") -> str:
    """Return a spin in whole rev/s, with its sidespin (positive to the thrower's left) if there is any.

    `about` is put after the topspin: its range.
    """
    side = f", side {sidespin_revps:+.0f}" if round(sidespin_revps) else ""
    return f"{topspin_revps:+.0f} rev/s{about}{side}"


def _side(y_m: float) -> str:
    if abs(y_m) < 0.005:
        return "in the middle"
    return f"{abs(100 * y_m):.0f} cm {'left' if y_m > 0 else 'right'}"


def _round(number: float | None, places: int = 6) -> float | None:
    return None if number is None else round(float(number), places)
