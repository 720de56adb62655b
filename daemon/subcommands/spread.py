"""`drillfeed spread`: tell how far the balls of one type scatter on one machine."""

import argparse

from drillfeed.daemon.subcommands.aim import add_machine
from drillfeed.daemon.subcommands.fly import add_air, finite

EXAMPLES = """\
examples:
  drillfeed spread rally-topspin
  drillfeed spread gentle-backspin --machine kit-build --balls 10000
  drillfeed spread deep-chop --json
"""
CONSTANTS = {False: "drag, lift, friction and restitution", True: "friction and restitution"}


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Add the arguments of `drillfeed spread`."""
    parser.add_argument("ball", metavar="BALL", help="ball type, a name of drillfeed list balls")
    add_machine(parser)
    parser.add_argument("--drills", metavar="DIR", help="folder of your own drills, its balls/ too")
    parser.add_argument("--balls", type=int, default=2000, metavar="N", help="how many to fly (2000)")
    parser.add_argument("--zone", type=finite, default=0.15, metavar="M", help="radius of the landing zone (0.15)")
    parser.add_argument("--seed", type=int, default=1, metavar="N", help="of the draw (1)")
    add_air(parser)
    parser.add_argument("--json", action="store_true", help="print one JSON object")


def run(args: argparse.Namespace) -> int:
    """Fly the balls and print where they land; return 0, or print the reason and return 2."""
    import json
    import sys
    from dataclasses import replace
    from pathlib import Path

    import numpy as np

    from drillfeed.daemon.aim.likely import likely_balls
    from drillfeed.daemon.aim.ranges import share_text
    from drillfeed.daemon.aim.records import likely_record, spread_record
    from drillfeed.daemon.aim.report import spread_lines, unknown_text
    from drillfeed.daemon.aim.spread import spread_of
    from drillfeed.daemon.aim.unknown import unknown_of
    from drillfeed.daemon.library.loading import find_ball
    from drillfeed.daemon.planning.fitting import fitted
    from drillfeed.daemon.planning.setting import NotPossible, setting_for, told
    from drillfeed.daemon.subcommands.aim import machine_for, thrower_for
    from drillfeed.daemon.validation import InvalidFile

    if not 10 <= args.balls <= 1_000_000:
        print(f"drillfeed spread: --balls {args.balls}; expected 10 to 1000000", file=sys.stderr)
        return 2
    try:
        machine = machine_for(args)
        thrower = thrower_for(args, machine)
        ball = fitted(find_ball(args.ball, Path(args.drills) if args.drills else None), machine).ball
        setting = setting_for(ball, machine)
    except (ValueError, InvalidFile, NotPossible) as error:
        print(f"drillfeed spread: {error}", file=sys.stderr)
        return 2
    thrown, unknown = told(ball, setting), unknown_of(thrower)
    of_machine = replace(unknown, widths=None)
    found, drawn = (
        spread_of(thrower, thrown, np.random.default_rng(args.seed), args.balls, args.zone, uncertainty)
        for uncertainty in (of_machine, unknown)
    )
    (likely,) = likely_balls(thrower, [thrown], np.random.default_rng(args.seed), unknown)
    if args.json:
        record = {
            "ball": ball.name,
            "machine": machine.name,
            "calibrated": thrower.calibrated,
            **spread_record(found),
            "with_constants": spread_record(drawn),
            "likely": likely_record(likely),
        }
        print(json.dumps(record))
        return 0
    print(f"{ball.title} on {machine.name}: {found.balls} balls at tilt {setting.tilt_deg:.1f}")
    print(unknown_text(machine.name, unknown, machine.calibration.told() if machine.calibration else None))
    print("\n".join(spread_lines(found, likely)))
    print(
        f"constants       {CONSTANTS[thrower.calibrated]} drawn too, as widely as they are known: "
        f"on the table {share_text(drawn.share_good)}, in the zone {share_text(drawn.share_in_zone)}"
    )
    return 0
