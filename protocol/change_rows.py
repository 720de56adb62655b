"""Rows of the command table about changes in mid-drill: easier, harder, faster, slower, another ball, the next drill.

Rule of this file: part of the one table; nobody but `commands.py` reads it.
"""

from drillfeed.protocol.spec import TAKING_PART, Argument, CommandSpec, in_states

PLANNED = in_states("IDLE", "ARMED", "SPINUP", "FEEDING", "RESTING", "PAUSED")

SEED = Argument("seed", "integer", "argument.seed", 0, 4_294_967_295, optional=True, keyed=True)
BALLS = Argument("balls", "integer", "argument.balls", 1, 10_000, "balls", optional=True, keyed=True)
HAND = Argument(
    "hand", "choice", "argument.load-hand", choices=("right", "left"),
    optional=True, keyed=True,
)  # fmt: skip
ELBOW = Argument(
    "elbow", "number", "argument.load-elbow", -60, 60, "cm",
    optional=True, keyed=True,
)  # fmt: skip

DRILL_ARGUMENTS = (
    Argument(
        "name",
        "name",
        "argument.load-name",
        among="drills",
    ),
    SEED,
    BALLS,
    HAND,
    ELBOW,
)

CHANGE_ROWS: tuple[CommandSpec, ...] = (
    CommandSpec(
        "easier",
        "easier",
        TAKING_PART,
        PLANNED,
    ),
    CommandSpec(
        "harder",
        "harder",
        TAKING_PART,
        PLANNED,
    ),
    CommandSpec(
        "slower",
        "slower",
        TAKING_PART,
        PLANNED,
    ),
    CommandSpec(
        "faster",
        "faster",
        TAKING_PART,
        PLANNED,
    ),
    CommandSpec(
        "swap",
        "swap heavy-push to light-push",
        TAKING_PART,
        PLANNED,
        arguments=(
            Argument("ball", "name", "argument.swap-ball", among="balls"),
            Argument("to", "name", "argument.swap-to", keyed=True, among="balls"),
        ),
    ),
    CommandSpec(
        "queue",
        "queue short-then-long seed 7",
        TAKING_PART,
        in_states("SPINUP", "FEEDING", "RESTING", "PAUSED"),
        arguments=DRILL_ARGUMENTS,
    ),
)
