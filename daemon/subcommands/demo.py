"""`drillfeed demo`: a whole drill on a simulated thrower, in real processes or on the virtual clock."""

import argparse

EXAMPLES = """\
examples:
  drillfeed demo --balls 12                 real processes on free loopback ports
  drillfeed demo --balls 12 --fast          the same code on a virtual clock, over in a moment
  drillfeed demo --machine kit-build        a machine that measures nothing
  drillfeed demo --drill my-drill.toml --seed 7
"""


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Add the arguments of `drillfeed demo`."""
    parser.add_argument(
        "--drill", metavar="NAME|FILE", help="default: a random mixed-spin drill that the machine can do"
    )
    parser.add_argument("--machine", default="club-build", metavar="NAME|FILE", help="machine profile (club-build)")
    parser.add_argument("--balls", type=int, metavar="N", help="so many balls; the drill's own number if left out")
    parser.add_argument("--seed", type=int, default=1, metavar="N", help="chance; the same seed, the same balls (1)")
    parser.add_argument("--fast", action="store_true", help="on the virtual clock")


def run(args: argparse.Namespace) -> int:
    """Run the demo; return 0 if every ball was dealt with, 1 if something went wrong, 2 for bad arguments."""
    import sys

    from drillfeed.daemon.demo.choice import Choice, choose
    from drillfeed.daemon.planning.setting import NotPossible
    from drillfeed.daemon.validation import InvalidFile

    try:
        choice: Choice = choose(args.drill, args.machine, args.balls, args.seed)
    except (InvalidFile, NotPossible, ValueError) as error:
        print(f"drillfeed demo: {error}", file=sys.stderr)
        return 2
    for line in choice.lines():
        print(line)
    if args.fast:
        from drillfeed.daemon.demo.fast import run_fast

        return run_fast(choice)
    from drillfeed.daemon.demo.real import run_real

    return run_real(choice)
