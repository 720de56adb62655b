"""`drillfeed plan`: what to practise today, and why.

Rule of this file: it proposes. Nothing is loaded or started; the lines it prints are typed by a person.
"""

import argparse
from typing import TYPE_CHECKING

from drillfeed.daemon.subcommands.practised import add_practised, with_practice

if TYPE_CHECKING:
    from drillfeed.daemon.subcommands.practised import Practised

EXAMPLES = """\
examples:
  drillfeed plan 30 --balls 300 --player left-hander
  drillfeed plan 20 --balls 120 --player left-hander --machine kit-build
  drillfeed plan 45 --balls 400 --player left-hander --focus heavy-push=2 --drills my-drills --save today

A plan starts nothing. With --save it becomes a drill of your own, to be edited, loaded and started like any other.
Exit code: 0, or 2 where there is no plan.
"""
MAX_FOCUS = 3.0


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Add the arguments of `drillfeed plan`."""
    parser.add_argument("minutes", type=float, metavar="MINUTES", help="how long you want to practise")
    parser.add_argument("--balls", type=int, required=True, metavar="N", help="how many balls at most")
    parser.add_argument("--hopper", type=int, metavar="N", help="how many balls the hopper holds")
    parser.add_argument("--machine", metavar="M", help="machine profile: a name or a file")
    parser.add_argument("--drills", metavar="DIR", help="folder of your own drills, ball types in DIR/balls")
    parser.add_argument(
        "--focus", action="append", default=[], metavar="BALL=W", help="weight of a ball type, 0 to 3; 0 leaves it out"
    )
    parser.add_argument("--save", metavar="NAME", help="write the plan as a drill into the folder of --drills")
    parser.add_argument("--json", action="store_true", help="one JSON object")
    add_practised(parser)


def run(args: argparse.Namespace) -> int:
    """Print the plan; return the exit code."""
    return with_practice(args, "plan", lambda practised: _plan(practised, args))


def _plan(practised: "Practised", args: argparse.Namespace) -> int:
    import json
    from dataclasses import asdict
    from datetime import datetime, time
    from pathlib import Path

    from drillfeed.daemon.drills import players
    from drillfeed.daemon.drills.sides import ELBOW_CM, Hand
    from drillfeed.daemon.journal.limits import Limits
    from drillfeed.daemon.journal.reading import loads
    from drillfeed.daemon.learning.plan_sentences import plan_lines
    from drillfeed.daemon.library.loading import load_balls, load_machine
    from drillfeed.daemon.todays_plan import Ask, as_toml, todays_plan

    config, player = practised.config, practised.player
    own = args.drills if args.drills is not None else config.drills
    folder = Path(own) if own is not None else None
    limits = Limits(config.day_balls, config.seven_days_balls, config.players)
    day = datetime.combine(practised.knowledge.today, time(12))
    mine = [load for load in loads(practised.connection, day) if load.player == (player.name if player else None)]
    max_day, max_week = limits.of(player.level if player else None)
    today, week = (mine[0].today, mine[0].seven_days) if mine else (0, 0)
    left = (("what is left to the day's warning", max_day - today), ("to that of seven days", max_week - week))
    ask = Ask(args.minutes, args.balls, args.hopper, left, _weights(args.focus))
    plays = players.RIGHT_HANDED
    if player is not None:
        elbow = ELBOW_CM if player.elbow_cm is None else player.elbow_cm
        hand: Hand = "left" if player.hand == "left" else "right"
        plays = players.Player(hand, elbow, config.players.of(player.level))
    machine = load_machine(args.machine or config.machine)
    name = args.save or "today"
    found = todays_plan(ask, practised.knowledge, load_balls(folder), machine, plays, name)
    if args.json:
        parts = [asdict(part) for part in found.plan.sets]
        told = {"balls": found.plan.balls, "total_s": round(found.plan.total_s, 1), "sets": parts}
        print(json.dumps({**told, "stopped_by": found.plan.stopped_by}, indent=2))
    else:
        print("\n".join(plan_lines(found.plan, found.standings)))
    if args.save is not None:
        out = (folder or Path()) / f"{args.save}.toml"
        out.write_text(as_toml(found.data), encoding="utf-8")
        if not args.json:
            print(f"\nwritten to {out}; type: load {args.save}, then start as ever")
    return 0


def _weights(texts: list[str]) -> dict[str, float]:
    from drillfeed.protocol.errors import Refused

    found = {}
    for text in texts:
        ball, _, weight = text.partition("=")
        if not weight.replace(".", "", 1).isdigit() or float(weight) > MAX_FOCUS:
            raise Refused("bad-argument", "--focus", expected="BALL=W with W from 0 to 3", found=text)
        found[ball] = float(weight)
    return found
