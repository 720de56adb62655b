"""Rows of the command table for set-up: the owner at the machine, one axis or one ball, while a hand holds.

Rule of this file: part of the one table; nobody but `commands.py` reads it. `only_here` and the owner's role together
mean the daemon's Unix socket and nothing else.
"""

from drillfeed.protocol.spec import Argument, CommandSpec, Role, in_states

OWNER: frozenset[Role] = frozenset({"owner"})
SLOWLY = (
    "At most 1.5 m/s at the rim. Nothing moves unless `hold` comes again and again; 300 ms after the last, it stops."
)

SETUP_ROWS: tuple[CommandSpec, ...] = (
    CommandSpec(
        "setup",
        "go into set-up at the machine, or out of it",
        "For turning one axis or throwing one ball by hand, slowly. "
        + SLOWLY
        + " Eye protection on; nobody in front of "
        "the opening. `setup off`, `stop` and every fault lead out of it, and the thrower is not armed any more.",
        "setup on",
        OWNER,
        in_states("ARMED", "SETUP"),
        arguments=(Argument("switch", "choice", "into it or out of it", choices=("on", "off")),),
        only_here=True,
    ),
    CommandSpec(
        "hold",
        "keep what was asked for going for another 300 ms",
        "Send it each 100 ms with a greater number each time, as long as a hand is on the key and not a moment longer. "
        "After a gap of over 300 ms it is a new hold: what was asked for before is forgotten.",
        "hold 17",
        OWNER,
        in_states("SETUP"),
        arguments=(Argument("token", "integer", "greater than the one before", 0, 999_999_999_999),),
        only_here=True,
        recorded=False,
    ),
    CommandSpec(
        "jog",
        "turn a wheel or the tilt while it is held",
        SLOWLY + " A wheel with 0 runs down.",
        "jog top 400",
        OWNER,
        in_states("SETUP"),
        arguments=(
            Argument("axis", "choice", "which one", choices=("top", "bottom", "tilt")),
            Argument("to", "number", "rpm of the wheel, or degrees", -30_000, 30_000),
        ),
        only_here=True,
    ),
    CommandSpec(
        "feed",
        "throw one ball while it is held",
        "With both wheels jogged and arrived. One ball a hold: for another, let go and begin again.",
        "feed one",
        OWNER,
        in_states("SETUP"),
        arguments=(Argument("count", "choice", "the word one", choices=("one",)),),
        only_here=True,
    ),
)
