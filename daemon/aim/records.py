"""What aiming, flying and scattering found, as figures for programs: JSON objects with units in their keys."""

from typing import Any

from drillfeed.daemon.aim.likely import Likely
from drillfeed.daemon.aim.request import NoSolution, Solution
from drillfeed.daemon.aim.spread import Spread
from drillfeed.daemon.physics.launch import spin_parts
from drillfeed.daemon.physics.record import Flight


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


def _round(number: float | None, places: int = 6) -> float | None:
    return None if number is None else round(float(number), places)
