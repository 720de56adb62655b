"""The work that the desk gives to the planner: read files by name, and make plans and listings of them.

Rule of this file: plain functions whose arguments and results can be sent to another process; no state, no clock, no
chance. The same arguments give the same plan in any process.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

from drillfeed.daemon.drills.balls import BallType
from drillfeed.daemon.drills.bounds import MIN_START_DELAY_S
from drillfeed.daemon.drills.drill import Drill, Set, with_balls
from drillfeed.daemon.drills.players import Player
from drillfeed.daemon.drills.sides import split
from drillfeed.daemon.drills.written import FixedSequence
from drillfeed.daemon.library.loading import load_balls, load_drill
from drillfeed.daemon.listing import listing_lines
from drillfeed.daemon.machine import Machine
from drillfeed.daemon.planning.change import change_plan
from drillfeed.daemon.planning.plan import DrillPlan, plan_drill
from drillfeed.daemon.validation import FileError, InvalidFile
from drillfeed.protocol.texts.catalogue import text

ONE_BALL_PER_MIN = 20.0


@dataclass(frozen=True)
class House:
    """What every plan needs: the machine with its trims, the folder of the user's own drills, and who plays."""

    machine: Machine
    drills: Path | None
    player: Player


def drill_plan(house: House, name: str, seed: int, balls: int | None, turns: int) -> DrillPlan:
    """Return the plan of a drill by its name or path; raise InvalidFile or NotPossible."""
    drill = load_drill(name, house.drills)
    drill = with_balls(drill, balls) if balls is not None else drill
    return plan_drill(drill, load_balls(house.drills), house.machine, seed, turns, house.player)


def one_ball_plan(house: House, mention: str, turns: int) -> DrillPlan:
    """Return the plan of one ball; raise InvalidFile or NotPossible."""
    balls = load_balls(house.drills)
    name, side = split(mention)
    ball = ball_named(name if side is not None else mention, balls)
    feeder = house.machine.feeder
    drill = Drill(
        name="one-ball",
        title=text("throw.one-ball", title=ball.title)[:120],
        level=ball.level,
        tempo_per_min=min(max(ONE_BALL_PER_MIN, feeder.low_balls_per_min), feeder.high_balls_per_min),
        start_delay_s=MIN_START_DELAY_S,
        set=(Set(balls=1, sequence=FixedSequence(kind="fixed", balls=(mention,))),),
    )
    return plan_drill(drill, balls, house.machine, 0, turns, house.player)


def changed_plan(house: House, base: DrillPlan, verb: str, swap: tuple[str, str] | None) -> DrillPlan:
    """Return the plan that a change asks for on top of another; raise InvalidFile or NotPossible."""
    return change_plan(base, verb, load_balls(house.drills), house.machine, swap)


def listed(house: House, of: str) -> list[str]:
    """Return the listing of `drills`, `balls` or `machines`; raise InvalidFile if a ball file is broken."""
    return listing_lines(of, house.machine, house.drills, house.player)


def ball_types(house: House) -> dict[str, BallType]:
    """Return all ball types; raise InvalidFile."""
    return load_balls(house.drills)


def ball_named(name: str, balls: Mapping[str, BallType]) -> BallType:
    """Return a ball type by its name; raise InvalidFile with similar names if there is none."""
    if name in balls:
        return balls[name]
    import difflib

    near = difflib.get_close_matches(name, balls, n=3)
    raise InvalidFile(
        [
            FileError(
                name,
                "(name)",
                text("library.no-ball-type"),
                text("throw.perhaps", balls=", ".join(near)) if near else "list balls",
            )
        ]
    )
