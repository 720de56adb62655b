"""Rows of the command table for set-up: the owner at the machine, one axis or one ball, while a hand holds.

Rule of this file: part of the one table; nobody but `commands.py` reads it. `only_here` and the owner's role together
mean the daemon's Unix socket and nothing else.
"""

from drillfeed.protocol.spec import Argument, CommandSpec, Role, in_states

OWNER: frozenset[Role] = frozenset({"owner"})

SETUP_ROWS: tuple[CommandSpec, ...] = (
    CommandSpec(
        "setup",
        "setup on",
        OWNER,
        in_states("ARMED", "SETUP"),
        arguments=(Argument("switch", "choice", "argument.switch", choices=("on", "off")),),
        only_here=True,
    ),
    CommandSpec(
        "hold",
        "hold 17",
        OWNER,
        in_states("SETUP"),
        arguments=(Argument("token", "integer", "argument.token", 0, 999_999_999_999),),
        only_here=True,
        recorded=False,
    ),
    CommandSpec(
        "jog",
        "jog top 400",
        OWNER,
        in_states("SETUP"),
        arguments=(
            Argument("axis", "choice", "argument.axis", choices=("top", "bottom", "tilt")),
            Argument("to", "number", "argument.jog-to", -30_000, 30_000),
        ),
        only_here=True,
    ),
    CommandSpec(
        "feed",
        "feed one",
        OWNER,
        in_states("SETUP"),
        arguments=(Argument("count", "choice", "argument.feed-count", choices=("one",)),),
        only_here=True,
    ),
)
