"""Rows of the command table about people: who speaks on a connection, who is paired, and starts that are offered.

Rule of this file: part of the one table; nobody but `commands.py` reads it.
"""

from drillfeed.protocol.spec import ANY_STATE, EVERYONE, PLAYING, Argument, CommandSpec, in_states

PEOPLE_ROWS: tuple[CommandSpec, ...] = (
    CommandSpec(
        "offer",
        "offer",
        frozenset({"coach"}),
        in_states("ARMED", "RESTING", "PAUSED"),
    ),
    CommandSpec(
        "confirm",
        "confirm 2",
        PLAYING,
        in_states("ARMED", "RESTING", "PAUSED"),
        arguments=(Argument("number", "integer", "argument.number", 1, 999_999_999),),
    ),
    CommandSpec(
        "invite",
        "invite coach",
        PLAYING,
        ANY_STATE,
        "line",
        (Argument("role", "choice", "argument.role", choices=("player", "coach")),),
        only_here=True,
    ),
    CommandSpec(
        "pair",
        "pair 482913",
        EVERYONE,
        ANY_STATE,
        "line",
        (Argument("secret", "name", "argument.secret", secret=True),),
    ),
    CommandSpec(
        "clients",
        "clients",
        PLAYING,
        ANY_STATE,
        "line",
        only_here=True,
    ),
    CommandSpec(
        "unpair",
        "unpair 3f2a",
        PLAYING,
        ANY_STATE,
        "line",
        (Argument("client", "name", "argument.client"),),
        only_here=True,
    ),
    CommandSpec(
        "relay",
        "relay 192.0.2.7",
        PLAYING,
        ANY_STATE,
        "line",
        (Argument("address", "name", "argument.address"),),
        only_here=True,
    ),
)
