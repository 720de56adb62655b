"""Flights and solutions in words and as JSON: SI inside, cm, degrees, rev/s and rpm where a person reads."""

from typing import Any

from drillfeed.daemon.aim.spread import Spread
from drillfeed.daemon.aim.wish import NoSolution, Solution
from drillfeed.daemon.physics.flight import Flight
from drillfeed.daemon.physics.launch import spin_parts


def flight_record(flight: Flight) -> dict[str, Any]:
    """Return a flight as a JSON object: metres, seconds, m/s, rev/s; null where a thing never happened."""
    landing, passage = flight.landing, flight.end_line
    return {
        "valid": flight.valid,
        "reason": flight.reason,
        "in_model_range": flight.in_model_range,
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
    }


def solution_record(s: Solution) -> dict[str, Any]:
    """Return a solution as a JSON object: its setting, what an error does, and its flight's figures."""
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
        **flight_record(s.flight),
    }


def refusal_record(wrong: NoSolution) -> dict[str, Any]:
    """Return a refusal as a JSON object: the reason, the limits that stop it, the nearest ball possible."""
    near = wrong.nearest
    return {
        "solutions": [],
        "reason": wrong.reason,
        "limits": list(wrong.limits),
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


def spread_lines(found: Spread) -> list[str]:
    """Return a spread in words."""
    lines = [
        f"on the table    {100 * found.share_good:.1f} %",
        f"over the net    {100 * found.share_over_net:.1f} %",
        f"in the zone     {100 * found.share_in_zone:.1f} %",
    ]
    if found.depth_m is not None and found.depth_sd_m is not None and found.side_sd_m is not None:
        lines.append(
            f"landing         {100 * found.depth_m:.0f} cm past the net, "
            f"+- {100 * found.depth_sd_m:.1f} cm along, +- {100 * found.side_sd_m:.1f} cm across (standard deviations)"
        )
    if found.ellipse is not None:
        e = found.ellipse
        lines.append(
            f"nine in ten     within an ellipse of {200 * e.long_m:.0f} by {200 * e.short_m:.0f} cm, "
            f"its long axis {e.angle_deg:+.0f} degrees from the table's"
        )
    return [*lines, found.warning] if found.warning else lines


def flight_lines(flight: Flight) -> list[str]:
    """Return a flight in words, a line a fact."""
    lines = []
    if flight.net_clearance_m is not None:
        lines.append(f"over the net    {100 * flight.net_clearance_m:.1f} cm (underside over the tape)")
    lines.append(f"highest         {100 * flight.apex_m:.0f} cm above the table (centre)")
    for b in flight.bounces:
        edge = ", on the edge" if b.edge else ""
        lines.append(
            f"{'touches' if b.half == 'player' else 'own half':<15} {100 * b.x_m:.1f} cm along, {_side(b.y_m)}, after "
            f"{b.t_s:.3f} s{edge}; leaves at {b.speed_after_mps:.1f} m/s, "
            f"{spin_text(b.spin_after_revps, b.side_after_revps)}"
        )
    if flight.depth_m is not None:
        second = flight.second_bounce_m
        way = f"; comes down again {100 * second:.0f} cm past the net" if second is not None else ""
        lines.append(
            f"depth           {100 * flight.depth_m:.1f} cm past the net, {flight.length or 'length open'}{way}"
        )
    if flight.end_line is not None:
        p = flight.end_line
        lines.append(
            f"end line        after {p.t_s:.3f} s, {100 * p.z_m:.0f} cm high, "
            f"{p.speed_mps:.1f} m/s, {spin_text(p.spin_revps, p.side_revps)}; {_side(p.y_m)}"
        )
    lines.append("a good ball" if flight.valid else f"no good: {flight.reason}")
    if not flight.in_model_range:
        lines.append("outside 3-20 m/s and 0-120 rev/s: the drag and lift figures were not measured there")
    return lines


def solution_line(s: Solution) -> str:
    """Return a solution as one line for a table."""
    flight = s.flight
    depth, net = 100 * (flight.depth_m or 0.0), flight.net_clearance_m
    over = "beside" if net is None else f"{100 * net:.0f} cm"
    pan = f"  pan {s.pan_deg:+.1f}" if s.pan_deg else ""
    roll = f"  roll {s.roll_deg:+.1f}" if s.roll_deg else ""
    topspin, sidespin = spin_parts(s.spin_revps, s.roll_deg)
    side = f", side {sidespin:+.1f}" if s.roll_deg else ""
    after = flight.landing
    aside = f", {_side(flight.landing_m[1])}" if s.roll_deg and flight.landing_m else ""
    bat = (
        f"{spin_text(after.spin_after_revps, after.side_after_revps)} {after.speed_after_mps:.1f} m/s" if after else "-"
    )
    return (
        f"{s.arc:<10} {s.speed_mps:5.2f} m/s {topspin:+5.1f} rev/s{side}  tilt {s.tilt_deg:6.2f}{pan}{roll}  "
        f"top {s.top_rpm:5.0f} rpm  bottom {s.bottom_rpm:5.0f} rpm  "
        f"depth {depth:5.1f} cm{aside} {flight.length or '':<9} net {over:>7}  after the bounce {bat:<18} "
        f"{100 * s.depth_per_degree_m:+.1f} cm/degree, {100 * s.depth_per_percent_m:+.1f} cm/% speed"
    )


def spin_text(topspin_revps: float, sidespin_revps: float) -> str:
    """Return a spin in whole rev/s, its sidespin (to the thrower's left positive) only where there is any."""
    side = f", side {sidespin_revps:+.0f}" if round(sidespin_revps) else ""
    return f"{topspin_revps:+.0f} rev/s{side}"


def _side(y_m: float) -> str:
    if abs(y_m) < 0.0005:
        return "in the middle"
    return f"{abs(100 * y_m):.1f} cm {'left' if y_m > 0 else 'right'}"


def _round(number: float | None, places: int = 6) -> float | None:
    return None if number is None else round(float(number), places)
