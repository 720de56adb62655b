"""Rows of the command table about the practice itself: what was made, where balls land, who plays, what was.

Rule of this file: part of the one table; nobody but `commands.py` reads it.
"""

from drillfeed.protocol.spec import ANY_STATE, PLAYING, TAKING_PART, Argument, CommandSpec, in_states

PRACTICE_ROWS: tuple[CommandSpec, ...] = (
    CommandSpec(
        "mark",
        "write down what was made",
        "With a count it is about a set, the last one thrown or the one named: `mark made 14 of 20`, or `mark "
        "missed 6`. Without a count it is about one ball: `mark missed`, `mark made ball 12`. A later mark stands "
        "in place of an earlier one. What nobody marks stays blank.",
        "mark made 14 of 20",
        TAKING_PART,
        ANY_STATE,
        arguments=(
            Argument("result", "choice", "what became of it", choices=("made", "missed")),
            Argument("count", "integer", "how many, of a set", 0, 10_000, "balls", optional=True),
            Argument(
                "of",
                "integer",
                "out of how many; all of the set if left out",
                1,
                10_000,
                "balls",
                optional=True,
                keyed=True,
            ),
            Argument("set", "integer", "which set of this run", 1, 1_000, optional=True, keyed=True),
            Argument("ball", "integer", "which ball of this run", 1, 10_000, optional=True, keyed=True),
        ),
    ),
    CommandSpec(
        "trim",
        "shift where one ball type lands on this machine",
        "Kept from day to day, for each machine and ball type, apart from calibration, and added up: `trim light-"
        "push long 8`, then `short 3`, is 5 cm longer in all. It holds from the next `load` or `throw`. Without a "
        "direction: tells it. `off` forgets it. Left and right are the thrower's and need a machine that pans.",
        "trim light-push long 8",
        PLAYING,
        in_states("OFFLINE", "IDLE", "ARMED", "RESTING", "PAUSED"),
        arguments=(
            Argument("ball", "name", "a ball type by its name", among="balls"),
            Argument("way", "choice", "which way", choices=("long", "short", "left", "right", "off"), optional=True),
            Argument("by", "number", "how far", 0.5, 40, "cm", optional=True),
        ),
    ),
    CommandSpec(
        "players",
        "list the players, add one, or say who plays",
        "Names are kept in the journal of this machine and nowhere else; use any that tell your players apart. "
        "`players add left-hander hand left level junior elbow 8`; added again, it changes what is said. `players "
        "choose left-hander` is possible in IDLE alone, brings the player's hand and elbow and the limits of the "
        "level (tempo, balls a set, ball speed and types, rims) and holds until the daemon ends; what is loaded has to "
        "be loaded again. `players choose` alone: nobody in particular, limits of machine and drill alone.",
        "players choose left-hander",
        TAKING_PART,
        ANY_STATE,
        arguments=(
            Argument("action", "choice", "list if left out", choices=("list", "add", "choose"), optional=True),
            Argument("name", "name", "a player's name", optional=True, among="players"),
            Argument(
                "hand",
                "choice",
                "of a new player right if left out",
                choices=("right", "left"),
                optional=True,
                keyed=True,
            ),
            Argument(
                "level",
                "choice",
                "of a new player club if left out",
                choices=("junior", "club", "advanced"),
                optional=True,
                keyed=True,
            ),
            Argument(
                "elbow",
                "number",
                "where the elbow is, towards the forehand from the middle",
                -60,
                60,
                "cm",
                optional=True,
                keyed=True,
            ),
        ),
    ),
    CommandSpec(
        "history",
        "tell what was practised today",
        "Today's sessions, the balls of the day and of seven days, and what was made. What nobody saw or marked is"
        " blank. `drillfeed history` in a shell tells more.",
        "history",
        TAKING_PART,
        ANY_STATE,
        recorded=False,
    ),
)
