"""Flights, solutions and scatter in words, in cm, degrees, rev/s and rpm."""

import math

from drillfeed.daemon.aim.likely import Likely
from drillfeed.daemon.aim.ranges import range_text, share_text
from drillfeed.daemon.aim.request import Solution
from drillfeed.daemon.aim.spread import Spread
from drillfeed.daemon.aim.unknown import Unknown
from drillfeed.daemon.physics.launch import spin_parts
from drillfeed.daemon.physics.record import Bounce, Flight
from drillfeed.daemon.physics.table import MEASURED_SPEED_MPS, MEASURED_SPIN_REVPS, VALID_SPEED_MPS, VALID_SPIN_REVPS
from drillfeed.protocol.texts.catalogue import text


def spread_lines(found: Spread, likely: Likely | None = None) -> list[str]:
    """Return a spread in words, the middle of its landings with its range."""
    lines = [
        text("report.on-table", share=share_text(found.share_good)),
        text("report.over-net", share=share_text(found.share_over_net)),
        text("report.in-zone", share=share_text(found.share_in_zone)),
    ]
    if found.depth_m is not None and found.depth_sd_m is not None and found.side_sd_m is not None:
        middle = range_text(likely, "depth_m", found.depth_m, 100.0)
        about = text("report.middle", middle=middle) if middle else ""
        lines.append(
            text(
                "report.landing",
                depth_cm=100 * found.depth_m,
                about=about,
                depth_sd_cm=100 * found.depth_sd_m,
                side_sd_cm=100 * found.side_sd_m,
            )
        )
    if found.ellipse is not None:
        e = found.ellipse
        lines.append(
            text("report.ellipse", long_cm=200 * e.long_m, short_cm=200 * e.short_m, angle_deg=round(e.angle_deg) + 0)
        )
    return [*lines, found.warning] if found.warning else lines


def unknown_text(name: str, unknown: Unknown, told: str | None) -> str:
    """Say what is assumed as known of a machine; `told` is the text of its calibration."""
    if unknown.uncalibrated and unknown.shifts:
        top, tilt = (math.hypot(*(getattr(shift, name) for shift in unknown.shifts)) for name in ("top", "tilt_deg"))
        stop = math.hypot(*(shift.low_stop_deg for shift in unknown.shifts), tilt)
        return text("report.uncalibrated-profile", name=name, wheel_percent=100 * top, stop_deg=stop)
    if unknown.uncalibrated:
        return text(
            "report.uncalibrated", name=name, wheel_percent=100 * unknown.wheel_share, tilt_deg=unknown.tilt_deg
        )
    if unknown.scatter_m is None:
        return text("report.no-scatter", name=name, told=told)
    return text("report.scatter", name=name, told=told, scatter_cm=100 * unknown.scatter_m)


def extrapolated_text(flight: Flight) -> str | None:
    """Say that a ball lies outside the flights that drag and lift were fitted to; None if it does not."""
    if not flight.extrapolated:
        return None
    line = text("report.extrapolated", span=_span(MEASURED_SPEED_MPS, MEASURED_SPIN_REVPS))
    if flight.in_model_range:
        return line
    return text("report.not-meant-for", text=line, span=_span(VALID_SPEED_MPS, VALID_SPIN_REVPS))


def _span(speeds: tuple[float, float], spins: tuple[float, float]) -> str:
    return text("report.span", slow_mps=speeds[0], fast_mps=speeds[1], low_revps=spins[0], high_revps=spins[1])


def flight_lines(flight: Flight, likely: Likely | None = None) -> list[str]:
    """Return a flight in words, one fact a line, each figure with its range if it has one."""

    def cm(name: str, number_m: float, after: str = "") -> str:
        ends = range_text(likely, name, number_m, 100.0)
        return text(
            "report.number-cm",
            number_cm=100 * number_m,
            after=after,
            range=text("report.likely", range=ends) if ends else "",
        )

    lines = []
    if flight.net_clearance_m is not None:
        lines.append(text("report.over-net-by", clearance=cm("net_clearance_m", flight.net_clearance_m)))
    lines.append(text("report.highest", height=cm("apex_m", flight.apex_m, text("report.above-table"))))
    for n, b in enumerate(flight.bounces):
        edge, first = text("report.edge") if b.edge else "", b is flight.landing
        along = text("report.along", along_cm=100 * b.x_m) if n else cm("first_bounce_m", b.x_m, " along")
        lines.append(
            text(
                "report.touch",
                half=text("report.touches") if b.half == "player" else text("report.own-half"),
                along=along,
                aside=_side(b.y_m),
                t_s=b.t_s,
                edge=edge,
                leaving=_leaving(b, likely if first else None),
            )
        )
    if flight.depth_m is not None:
        second = flight.second_bounce_m
        way = (
            text("report.comes-down-again", depth=cm("second_bounce_m", second, text("report.past-net")))
            if second is not None
            else ""
        )
        lines.append(
            text(
                "report.depth",
                depth=cm("depth_m", flight.depth_m, text("report.past-net")),
                length=flight.length or text("report.length-open"),
                way=way,
            )
        )
    if flight.end_line is not None:
        p = flight.end_line
        time = range_text(likely, "end_line_s", p.t_s, min_step=0.01)
        lines.append(
            text(
                "report.end-line",
                t_s=p.t_s,
                range=text("report.likely", range=time) if time else "",
                height=cm("end_line_z_m", p.z_m, text("report.high")),
                speed_mps=p.speed_mps,
                spin=spin_text(p.spin_revps, p.side_revps),
                aside=_side(p.y_m),
            )
        )
    lines.append(text("report.good") if flight.valid else text("report.no-good", reason=flight.reason))
    if likely is not None:
        if flight.valid and likely.share_good < 0.95:
            lines.append(text("report.no-good-share", share=share_text(1.0 - likely.share_good)))
        lines.append(text("report.likely-means"))
    extrapolated = extrapolated_text(flight)
    return [*lines, extrapolated] if extrapolated else lines


def _leaving(bounce: Bounce, likely: Likely | None) -> str:
    speed = range_text(likely, "speed_after_mps", bounce.speed_after_mps, min_step=0.1)
    spin = range_text(likely, "spin_after_revps", bounce.spin_after_revps, signed=True)
    return text(
        "report.leaving",
        speed_after_mps=bounce.speed_after_mps,
        range=text("report.likely", range=speed) if speed else "",
        spin=spin_text(
            bounce.spin_after_revps, bounce.side_after_revps, text("report.likely", range=spin) if spin else ""
        ),
    )


def solution_line(s: Solution, likely: Likely | None = None) -> str:
    """Return a solution as one line for a table, with the ranges of what arrives in brackets."""
    flight = s.flight

    def ranged(name: str, number: float, scale: float = 1.0, signed: bool = False) -> str:
        line = range_text(likely, name, number, scale, signed=signed)
        return f" ({line})" if line else ""

    depth, net = flight.depth_m or 0.0, flight.net_clearance_m
    far = f"{100 * depth:.0f} cm{ranged('depth_m', depth, 100.0)}"
    over = text("report.beside") if net is None else f"{100 * net:.0f} cm{ranged('net_clearance_m', net, 100.0)}"
    pan = text("report.pan", pan_deg=s.pan_deg) if s.pan_deg else ""
    roll = text("report.roll", roll_deg=s.roll_deg) if s.roll_deg else ""
    topspin, sidespin = spin_parts(s.spin_revps, s.roll_deg)
    side = text("report.side", sidespin=sidespin) if s.roll_deg else ""
    after = flight.landing
    aside = f", {_side(flight.landing_m[1])}" if s.roll_deg and flight.landing_m else ""
    bat = "-"
    if after:
        about = ranged("spin_after_revps", after.spin_after_revps, signed=True)
        bat = f"{spin_text(after.spin_after_revps, after.side_after_revps, about)} {after.speed_after_mps:.1f} m/s"
    return text(
        "report.solution",
        arc=s.arc,
        speed_mps=s.speed_mps,
        topspin=topspin,
        side=side,
        tilt_deg=s.tilt_deg,
        pan=pan,
        roll=roll,
        top_rpm=s.top_rpm,
        bottom_rpm=s.bottom_rpm,
        far=far,
        aside=aside,
        length=flight.length or "",
        over=over,
        bat=bat,
        depth_per_degree_cm=100 * s.depth_per_degree_m,
        depth_per_percent_cm=100 * s.depth_per_percent_m,
    )


def spin_text(topspin_revps: float, sidespin_revps: float, about: str = "") -> str:
    """Return a spin in whole rev/s, with its sidespin (positive to the thrower's left) if there is any.

    `about` is put after the topspin: its range.
    """
    side = text("report.side-whole", sidespin=sidespin_revps) if round(sidespin_revps) else ""
    return text("report.spin", topspin_revps=topspin_revps, about=about, side=side)


def _side(y_m: float) -> str:
    if abs(y_m) < 0.005:
        return text("report.in-the-middle")
    return text("report.aside", aside_cm=abs(100 * y_m), way=text("report.left") if y_m > 0 else text("report.right"))
