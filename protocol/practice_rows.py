"""Rows of the command table about the practice itself: what was made, where balls land, who plays, what was.

Rule of this file: part of the one table; nobody but `commands.py` reads it.
"""

from drillfeed.protocol.spec import ANY_STATE, PLAYING, TAKING_PART, Argument, CommandSpec, in_states

PRACTICE_ROWS: tuple[CommandSpec, ...] = (
    CommandSpec(
        "mark",
        "mark made 14 of 20",
        TAKING_PART,
        ANY_STATE,
        arguments=(
            Argument("result", "choice", "argument.result", choices=("made", "missed")),
            Argument("count", "integer", "argument.mark-count", 0, 10_000, "balls", optional=True),
            Argument(
                "of",
                "integer",
                "argument.mark-of",
                1,
                10_000,
                "balls",
                optional=True,
                keyed=True,
            ),
            Argument("set", "integer", "argument.set", 1, 1_000, optional=True, keyed=True),
            Argument("ball", "integer", "argument.mark-ball", 1, 10_000, optional=True, keyed=True),
        ),
    ),
    CommandSpec(
        "trim",
        "trim light-push long 8",
        PLAYING,
        in_states("OFFLINE", "IDLE", "ARMED", "RESTING", "PAUSED"),
        arguments=(
            Argument("ball", "name", "argument.trim-ball", among="balls"),
            Argument("way", "choice", "argument.way", choices=("long", "short", "left", "right", "off"), optional=True),
            Argument("by", "number", "argument.by", 0.5, 40, "cm", optional=True),
        ),
    ),
    CommandSpec(
        "players",
        "players choose left-hander",
        TAKING_PART,
        ANY_STATE,
        arguments=(
            Argument("action", "choice", "argument.action", choices=("list", "add", "choose"), optional=True),
            Argument("name", "name", "argument.players-name", optional=True, among="players"),
            Argument(
                "hand",
                "choice",
                "argument.players-hand",
                choices=("right", "left"),
                optional=True,
                keyed=True,
            ),
            Argument(
                "level",
                "choice",
                "argument.level",
                choices=("junior", "club", "advanced"),
                optional=True,
                keyed=True,
            ),
            Argument(
                "elbow",
                "number",
                "argument.players-elbow",
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
        "history",
        TAKING_PART,
        ANY_STATE,
        recorded=False,
    ),
)
