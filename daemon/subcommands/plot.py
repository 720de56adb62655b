"""`drillfeed plot`: draw a ball's flight, a drill's landings or a machine's envelope, as SVG, PNG or characters."""

import argparse
from typing import TYPE_CHECKING

from drillfeed.daemon.subcommands.aim import add_machine
from drillfeed.daemon.subcommands.fly import add_air, finite

if TYPE_CHECKING:
    from matplotlib.figure import Figure

    from drillfeed.daemon.aim.pictures import Drawn
    from drillfeed.daemon.drills.balls import BallType
    from drillfeed.daemon.machine import Machine

EXAMPLES = """\
examples:
  drillfeed plot ball rally-topspin                        in characters, no extra needed
  drillfeed plot ball rally-topspin --out rally.svg
  drillfeed plot drill mixed-spin --out landings.png
  drillfeed plot envelope --machine kit-build --depth 1.0 --out kit.svg
"""
SEED, BALLS = 1, 1500
ENDINGS = (".svg", ".png")


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Add the arguments of `drillfeed plot`."""
    parser.add_argument("what", choices=["ball", "drill", "envelope"], help="what to draw")
    parser.add_argument("name", nargs="?", metavar="NAME", help="of the ball type or drill")
    add_machine(parser)
    parser.add_argument("--drills", metavar="DIR", help="folder of your own drills, its balls/ too")
    parser.add_argument("--depth", type=finite, default=1.1, metavar="M", help="for the envelope: landing past the net")
    parser.add_argument("--out", metavar="FILE", help="FILE.svg or FILE.png; needs the plots extra")
    add_air(parser)


def run(args: argparse.Namespace) -> int:
    """Draw; return 0, or print the reason and return 2."""
    import sys

    from drillfeed.daemon.planning.setting import NotPossible
    from drillfeed.daemon.validation import InvalidFile

    try:
        return _draw(args)
    except (ValueError, OSError, InvalidFile, NotPossible) as error:
        print(f"drillfeed plot: {error}", file=sys.stderr)
    except ImportError as missing:
        print(f"drillfeed plot: {missing}; next: pip install 'drillfeed[plots]'", file=sys.stderr)
    return 2


def _draw(args: argparse.Namespace) -> int:
    from pathlib import Path

    from drillfeed.daemon.library.loading import find_ball
    from drillfeed.daemon.planning.fitting import fitted
    from drillfeed.daemon.planning.setting import flight_for
    from drillfeed.daemon.subcommands.aim import machine_for, thrower_for

    if args.what != "envelope" and args.name is None:
        raise ValueError(f"plot {args.what} needs a NAME; see drillfeed list {args.what}s")
    machine = machine_for(args)
    folder = Path(args.drills) if args.drills else None
    if args.out is None:
        if args.what != "ball":
            raise ValueError(f"plot {args.what} needs --out FILE.svg or FILE.png")
        import numpy as np

        from drillfeed.daemon.aim.likely import likely_flight
        from drillfeed.daemon.aim.report import flight_lines
        from drillfeed.daemon.aim.sideview import side_view

        found, thrower = fitted(find_ball(args.name, folder), machine), thrower_for(args, machine)
        flight = flight_for(found.ball, machine)
        likely = likely_flight(flight.launch, np.random.default_rng(SEED), air=thrower.air, ball=thrower.ball)
        print(*filter(None, (found.text, side_view(flight))), *flight_lines(flight, likely), sep="\n")
        return 0
    out = Path(args.out)
    if out.suffix not in ENDINGS:
        raise ValueError(f"--out {out.name}; expected a name that ends in .svg or .png")
    from drillfeed.daemon.aim.pictures import save

    save(_figure(args, machine, folder), out)
    print(f"written to {out}")
    return 0


def _figure(args: argparse.Namespace, machine: "Machine", folder: "object") -> "Figure":
    from pathlib import Path

    from drillfeed.daemon.aim import pictures
    from drillfeed.daemon.aim.envelope import envelope
    from drillfeed.daemon.library.loading import find_ball, load_balls, load_drill
    from drillfeed.daemon.planning.fitting import fitted
    from drillfeed.daemon.subcommands.aim import thrower_for

    own = folder if isinstance(folder, Path) else None
    thrower = thrower_for(args, machine)
    state = "calibrated" if thrower.calibrated else "uncalibrated"
    if args.what == "envelope":
        return pictures.envelope_figure(envelope(thrower, args.depth), f"{machine.name} ({state}): what it can aim")
    if args.what == "ball":
        ball = fitted(find_ball(args.name, own), machine).ball
        drawn = _drawn(args, ball, machine)
        return pictures.ball_figure(drawn, f"{ball.title} on {machine.name} ({state}): nine in ten land in the ellipse")
    balls, drill = load_balls(own), load_drill(args.name, own)
    names = drill.ball_names()
    return pictures.drill_figure(
        [_drawn(args, fitted(balls[name], machine).ball, machine) for name in names if name in balls],
        f"{drill.title} on {machine.name} ({state}): nine in ten land in the ellipses",
    )


def _drawn(args: argparse.Namespace, ball: "BallType", machine: "Machine") -> "Drawn":
    from dataclasses import replace

    import numpy as np

    from drillfeed.daemon.aim.pictures import Drawn
    from drillfeed.daemon.aim.spread import spread_of
    from drillfeed.daemon.aim.unknown import unknown_of
    from drillfeed.daemon.planning.setting import flight_for, setting_for, told
    from drillfeed.daemon.subcommands.aim import thrower_for

    thrown = told(ball, setting_for(ball, machine))
    thrower = thrower_for(args, machine)
    unknown = replace(unknown_of(thrower), widths=None)
    found = spread_of(thrower, thrown, np.random.default_rng(SEED), BALLS, unknown=unknown)
    return Drawn(ball.name, flight_for(ball, machine), found)
