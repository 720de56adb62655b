"""`drillfeed fly`: fly one ball through the flight model and tell where it lands."""

import argparse
import math

EXAMPLES = """\
examples:
  drillfeed fly --speed 8.5 --spin 40 --tilt 15.4
  drillfeed fly --speed 6.5 --spin -32 --tilt 14.1 --view
  drillfeed fly --speed 7.5 --spin 30 --sidespin 25 --tilt 17
  drillfeed fly --speed 7 --spin 18 --tilt 22 --altitude 1500 --temp 24 --json
"""
SEED = 1  # of the draws behind the likely ranges, so that the same ball has the same ranges


def finite(text: str) -> float:
    """Return a number from the command line; raise if it is no number or not finite."""
    number = float(text)
    if not math.isfinite(number):
        raise argparse.ArgumentTypeError(f"{text} is not a finite number")
    return number


def add_air(parser: argparse.ArgumentParser) -> None:
    """Add the arguments that say what the air is like."""
    parser.add_argument("--temp", type=finite, default=20.0, metavar="C", help="air temperature (20)")
    parser.add_argument("--altitude", type=finite, default=0.0, metavar="M", help="above sea level (0)")
    parser.add_argument("--pressure", type=finite, metavar="HPA", help="air pressure, instead of the altitude's")
    parser.add_argument("--humidity", type=finite, default=0.0, metavar="PERCENT", help="relative humidity (0)")


def add_sidespin(parser: argparse.ArgumentParser) -> None:
    """Add the two ways to ask for sidespin: as a figure, or by the lean of the head."""
    way = parser.add_mutually_exclusive_group()
    way.add_argument("--sidespin", type=finite, metavar="S", help="rev/s, bending to the thrower's left positive")
    way.add_argument("--roll", type=finite, default=0.0, metavar="D", help="degrees the head leans; --spin is then all")


def head_of(args: argparse.Namespace) -> tuple[float, float]:
    """Return the spin that the wheels give and the roll of the head, from `--spin` with `--sidespin` or `--roll`."""
    from drillfeed.daemon.physics.launch import head_spin

    return (args.spin, args.roll) if args.sidespin is None else head_spin(args.spin, args.sidespin)


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Add the arguments of `drillfeed fly`."""
    parser.add_argument("--speed", type=finite, required=True, metavar="V", help="at release, m/s")
    parser.add_argument("--spin", type=finite, required=True, metavar="S", help="rev/s, topspin positive")
    parser.add_argument("--tilt", type=finite, required=True, metavar="D", help="degrees, up positive")
    parser.add_argument("--pan", type=finite, default=0.0, metavar="D", help="degrees, left positive (0)")
    add_sidespin(parser)
    parser.add_argument("--height", type=finite, default=0.25, metavar="M", help="ball's centre above the table (0.25)")
    parser.add_argument("--back", type=finite, default=0.20, metavar="M", help="behind the end line (0.20)")
    add_air(parser)
    parser.add_argument("--view", action="store_true", help="draw the side view in characters")
    parser.add_argument("--json", action="store_true", help="print one JSON object")


def run(args: argparse.Namespace) -> int:
    """Fly the ball and print the result; return 0, or 2 if a figure is out of range."""
    import json
    import sys

    import numpy as np

    from drillfeed.daemon.aim.likely import likely_flight
    from drillfeed.daemon.aim.records import flight_record
    from drillfeed.daemon.aim.report import flight_lines
    from drillfeed.daemon.aim.sideview import side_view
    from drillfeed.daemon.physics.air import air_at
    from drillfeed.daemon.physics.flight import fly
    from drillfeed.daemon.physics.launch import launch_from

    problem = _problem_in(args)
    try:
        air = air_at(args.temp, args.altitude, args.pressure and 100 * args.pressure, args.humidity / 100)
    except ValueError as error:
        problem = problem or str(error)
    if problem:
        print(f"drillfeed fly: {problem}", file=sys.stderr)
        return 2
    spin_revps, roll_deg = head_of(args)
    launch = launch_from(
        args.speed,
        spin_revps,
        args.tilt,
        pan_deg=args.pan,
        roll_deg=roll_deg,
        height_m=args.height,
        back_m=args.back,
    )
    flight, likely = fly(launch, air=air), likely_flight(launch, np.random.default_rng(SEED), air=air)
    if args.json:
        print(json.dumps(flight_record(flight, likely)))
        return 0
    if args.view:
        print(side_view(flight))
    print("\n".join(flight_lines(flight, likely)))
    return 0


def _problem_in(args: argparse.Namespace) -> str | None:
    """Return which figure is out of range and what was expected; the flight model's own range is not enforced."""
    spans = {
        "speed": (0.0, 60.0, "m/s"),
        "spin": (-300.0, 300.0, "rev/s"),
        "sidespin": (-300.0, 300.0, "rev/s"),
        "tilt": (-90.0, 90.0, "degrees"),
        "pan": (-90.0, 90.0, "degrees"),
        "roll": (-180.0, 180.0, "degrees"),
        "height": (0.02, 3.0, "m: the ball's centre above the table, which is 2 cm when it lies there"),
        "back": (-2.7, 5.0, "m"),
    }
    for name, (low, high, unit) in spans.items():
        number = getattr(args, name)
        if number is not None and not low <= number <= high:
            return f"--{name} {number:g}; expected {low:g} to {high:g} {unit}"
    return None
