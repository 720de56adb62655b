"""`drillfeed aim`: from the ball wanted to wheel speeds and tilt, every arc of it."""

import argparse

from drillfeed.daemon.subcommands.fly import add_air, finite

EXAMPLES = """\
examples:
  drillfeed aim --spin 40 --speed 8.5 --depth 1.10
  drillfeed aim --spin -35 --speed 5.5 --depth 0.50 --arc serve-wise
  drillfeed aim --spin 10 --depth 1.0 --clearance 0.20 --machine kit-build --json
"""


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Add the arguments of `drillfeed aim`."""
    parser.add_argument("--spin", type=finite, required=True, metavar="S", help="rev/s, topspin positive")
    two = parser.add_argument_group("exactly two of these")
    two.add_argument("--speed", type=finite, metavar="V", help="at release, m/s")
    two.add_argument("--tilt", type=finite, metavar="D", help="degrees, up positive")
    two.add_argument("--depth", type=finite, metavar="M", help="first touch past the net")
    two.add_argument("--clearance", type=finite, metavar="M", help="ball's underside over the tape")
    two.add_argument("--apex", type=finite, metavar="M", help="centre's highest above the table")
    two.add_argument("--arrival", type=finite, metavar="S", help="seconds from release to the player's end line")
    parser.add_argument("--side", type=finite, metavar="M", help="landing left of the centre line, where there is pan")
    parser.add_argument("--roll", type=finite, default=0.0, metavar="D", help="degrees the head leans (0)")
    parser.add_argument("--arc", choices=["low", "high", "serve-wise"], help="only this kind of arc")
    parser.add_argument("--machine", default="club-build", metavar="M", help="machine profile: a name or a file")
    parser.add_argument("--calibration", metavar="FILE", help="calibration file of that machine")
    add_air(parser)
    parser.add_argument("--json", action="store_true", help="print one JSON object")


def run(args: argparse.Namespace) -> int:
    """Print the solutions, best first; return 0, or 2 with reason and nearest ball where there is none."""
    import json
    import sys

    from drillfeed.daemon.aim.solve import aim
    from drillfeed.daemon.aim.telling import refusal_record, solution_line, solution_record
    from drillfeed.daemon.aim.wish import NoSolution, Wish
    from drillfeed.daemon.mistakes import FileMistakes
    from drillfeed.daemon.subcommands.spread import thrower_for

    try:
        thrower = thrower_for(args)
        wish = Wish(
            args.spin,
            speed_mps=args.speed,
            tilt_deg=args.tilt,
            depth_m=args.depth,
            clearance_m=args.clearance,
            apex_m=args.apex,
            arrival_s=args.arrival,
            placement_m=args.side,
            roll_deg=args.roll,
            arc=args.arc,
        )
    except (ValueError, FileMistakes) as wrong:
        print(f"drillfeed aim: {wrong}", file=sys.stderr)
        return 2
    try:
        found = aim(thrower, wish)
    except NoSolution as wrong:
        if args.json:
            print(json.dumps(refusal_record(wrong)))
        else:
            print(f"drillfeed aim: {wrong}", file=sys.stderr)
        return 2
    if args.json:
        print(json.dumps({"machine": thrower.name, "solutions": [solution_record(s) for s in found]}))
        return 0
    print("\n".join(solution_line(s) for s in found))
    if not thrower.calibrated:
        print(f"{thrower.name} is uncalibrated: trim at the table")
    return 0
