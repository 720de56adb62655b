"""Rows of the command table about changes in mid-drill: easier, harder, faster, slower, another ball, the next drill.

Rule of this file: part of the one table; nobody but `commands.py` reads it.
"""

from drillfeed.protocol.spec import TAKING_PART, Argument, CommandSpec, in_states

PLANNED = in_states("IDLE", "ARMED", "SPINUP", "FEEDING", "RESTING", "PAUSED")

SEED = Argument("seed", "integer", "chance", 0, 4_294_967_295, optional=True, keyed=True)
BALLS = Argument("balls", "integer", "how many balls", 1, 10_000, "balls", optional=True, keyed=True)
HAND = Argument(
    "hand", "choice", "the hand that holds the bat; that of who plays, else right", choices=("right", "left"),
    optional=True, keyed=True,
)  # fmt: skip
ELBOW = Argument(
    "elbow", "number", "towards the forehand from the middle; that of who plays, else 12", -60, 60, "cm",
    optional=True, keyed=True,
)  # fmt: skip

DRILL_ARGUMENTS = (
    Argument(
        "name",
        "name",
        "a drill by its name, or, at the machine itself, the path of a drill file in double quotes",
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
        "go one step easier, at once",
        "The next step of the ladder that the drill says; without one, 5 balls a minute less than it runs at. Holds "
        "from the first ball whose wheels have not started. `status` names the step.",
        "easier",
        TAKING_PART,
        PLANNED,
    ),
    CommandSpec(
        "harder",
        "go one step harder when the set is over, or at a pause",
        "The next step of the ladder that the drill says; without one, 5 balls a minute more. It is announced; "
        "nothing that runs gets harder before its set is over. Never above the drill's and the machine's limits.",
        "harder",
        TAKING_PART,
        PLANNED,
    ),
    CommandSpec(
        "slower",
        "5 balls a minute less, at once",
        "Less than what runs, not than what was asked. Holds from the first ball whose wheels have not started.",
        "slower",
        TAKING_PART,
        PLANNED,
    ),
    CommandSpec(
        "faster",
        "5 balls a minute more when the set is over, or at a pause",
        "Never above the drill's and the machine's limits; refused with the reason where nothing would get faster.",
        "faster",
        TAKING_PART,
        PLANNED,
    ),
    CommandSpec(
        "swap",
        "throw another ball in place of one, when the set is over or at a pause",
        "`swap heavy-push to light-push` throws light pushes from then on. A ball without a side is meant on every "
        'side and keeps it; one side alone is written in quotes: `swap "rally-topspin to forehand" to flat-block`.',
        "swap heavy-push to light-push",
        TAKING_PART,
        PLANNED,
        arguments=(
            Argument("ball", "name", "a ball that the drill throws", among="balls"),
            Argument("to", "name", "the ball to throw instead", keyed=True, among="balls"),
        ),
    ),
    CommandSpec(
        "queue",
        "say which drill is next",
        "It follows the running drill through a rest that waits for `ready`; `skip` in the last set brings it nearer. "
        "A stop or a fault leaves it loaded, to be started like any other. The last one queued counts.",
        "queue short-then-long seed 7",
        TAKING_PART,
        in_states("SPINUP", "FEEDING", "RESTING", "PAUSED"),
        arguments=DRILL_ARGUMENTS,
    ),
)
