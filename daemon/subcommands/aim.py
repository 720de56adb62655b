"""`drillfeed aim`: find wheel speeds and tilt for a requested ball, for every arc that reaches it."""

import argparse
from typing import TYPE_CHECKING

from drillfeed.daemon.subcommands.fly import add_air, add_sidespin, finite, head_of

if TYPE_CHECKING:
    from drillfeed.daemon.aim.thrower import Thrower
    from drillfeed.daemon.machine import Machine

SEED = 1  # of the draws behind the likely ranges
LIKELY_TEXT = "in brackets: nine in ten likely cases, as widely as this machine and the constants of flight are known"
EXAMPLES = """\
examples:
  drillfeed aim --spin 40 --speed 8.5 --depth 1.10
  drillfeed aim --spin -35 --speed 5.5 --depth 0.50 --arc serve-wise
  drillfeed aim --spin 10 --depth 1.0 --clearance 0.20 --machine kit-build --json
  drillfeed aim --spin 30 --sidespin 25 --speed 7.5 --depth 1.05 --side 0 --machine hall-roll
"""


def add_machine(parser: argparse.ArgumentParser) -> None:
    """Add the arguments that choose a machine and its calibration."""
    parser.add_argument("--machine", default="club-build", metavar="M", help="machine profile: a name or a file")
    parser.add_argument("--calibration", metavar="FILE", help="its calibration, instead of the one beside the profile")


def machine_for(args: argparse.Namespace) -> "Machine":
    """Return the machine that the arguments name, with its calibration; raise InvalidFile."""
    from pathlib import Path

    from drillfeed.daemon.library.loading import load_calibration, load_machine

    machine = load_machine(args.machine)
    if args.calibration is None:
        return machine
    return machine.model_copy(update={"calibration": load_calibration(Path(args.calibration), machine)})


def thrower_for(args: argparse.Namespace, machine: "Machine") -> "Thrower":
    """Return the machine in the form that aiming uses, in the given air; raise ValueError if the air is impossible."""
    from drillfeed.daemon.aim.thrower import thrower_of
    from drillfeed.daemon.physics.air import air_at

    pressure_pa = None if args.pressure is None else 100.0 * args.pressure
    return thrower_of(machine, air_at(args.temp, args.altitude, pressure_pa, args.humidity / 100.0))


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
    add_sidespin(parser)
    parser.add_argument("--arc", choices=["low", "high", "serve-wise"], help="only this kind of arc")
    add_machine(parser)
    add_air(parser)
    parser.add_argument("--json", action="store_true", help="print one JSON object")


def run(args: argparse.Namespace) -> int:
    """Print the solutions, best first; return 0, or 2 with reason and nearest ball if there is none."""
    import json
    import sys

    import numpy as np

    from drillfeed.daemon.aim.aiming import aim
    from drillfeed.daemon.aim.likely import likely_balls
    from drillfeed.daemon.aim.records import refusal_record, solution_record
    from drillfeed.daemon.aim.report import extrapolated_text, solution_line
    from drillfeed.daemon.aim.request import AimRequest, NoSolution
    from drillfeed.daemon.aim.spread import Setting
    from drillfeed.daemon.validation import InvalidFile

    try:
        thrower = thrower_for(args, machine_for(args))
        spin_revps, roll_deg = head_of(args)
        request = AimRequest(
            spin_revps,
            speed_mps=args.speed,
            tilt_deg=args.tilt,
            depth_m=args.depth,
            clearance_m=args.clearance,
            apex_m=args.apex,
            arrival_s=args.arrival,
            placement_m=args.side,
            roll_deg=roll_deg,
            arc=args.arc,
        )
    except (ValueError, InvalidFile) as error:
        print(f"drillfeed aim: {error}", file=sys.stderr)
        return 2
    try:
        found = aim(thrower, request)
    except NoSolution as error:
        if args.json:
            print(json.dumps(refusal_record(error)))
        else:
            print(f"drillfeed aim: {error}", file=sys.stderr)
        return 2
    settings = [Setting(s.speed_mps, s.spin_revps, s.tilt_deg, s.pan_deg, s.roll_deg) for s in found]
    both = list(zip(found, likely_balls(thrower, settings, np.random.default_rng(SEED), until="second"), strict=True))
    if args.json:
        solutions = [solution_record(solution, likely) for solution, likely in both]
        print(json.dumps({"machine": thrower.name, "calibrated": thrower.calibrated, "solutions": solutions}))
        return 0
    print("\n".join(solution_line(solution, likely) for solution, likely in both))
    print(LIKELY_TEXT)
    for text in dict.fromkeys(extrapolated_text(solution.flight) for solution in found):
        if text:
            print(text)
    if not thrower.calibrated:
        print(f"{thrower.name} is uncalibrated: trim at the table")
    return 0
