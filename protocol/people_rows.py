"""Rows of the command table about people: who speaks on a connection, who is paired, and starts that are offered.

Rule of this file: part of the one table; nobody but `commands.py` reads it.
"""

from drillfeed.protocol.spec import ANY_STATE, EVERYONE, PLAYING, Argument, CommandSpec, in_states

PEOPLE_ROWS: tuple[CommandSpec, ...] = (
    CommandSpec(
        "offer",
        "offer to go on; the player confirms it or lets it pass",
        "For a coach who may not see whether the table is clear. Armed it offers the start, in a rest the next set, "
        "in a pause to go on. It moves nothing. It lapses after 60 s and with whatever changes the state.",
        "offer",
        frozenset({"coach"}),
        in_states("ARMED", "RESTING", "PAUSED"),
    ),
    CommandSpec(
        "confirm",
        "take up an offer, quoting its number",
        "Does what was offered, with its cue and its full countdown. `status` shows the number; an offer that has "
        "lapsed is refused.",
        "confirm 2",
        PLAYING,
        in_states("ARMED", "RESTING", "PAUSED"),
        arguments=(Argument("number", "integer", "the number that status shows", 1, 999_999_999),),
    ),
    CommandSpec(
        "invite",
        "show a code that pairs one client from elsewhere",
        "The code holds for two minutes and for one client. It is given on the machine itself, to be read out or "
        "scanned. Nothing on this line is encrypted: who listens in on the network can read code and key.",
        "invite coach",
        PLAYING,
        ANY_STATE,
        "line",
        (Argument("role", "choice", "what the client may be", choices=("player", "coach")),),
        only_here=True,
    ),
    CommandSpec(
        "pair",
        "be the player or the coach on this connection",
        "With a code from `invite`: the answer holds a key in a data line `key KEY`, for later connections. With that "
        "key: the same role again. A data line `role ROLE` tells which. After three wrong ones each further try has to "
        "wait longer; a stop never waits.",
        "pair 482913",
        EVERYONE,
        ANY_STATE,
        "line",
        (Argument("secret", "name", "the code that is shown, or a key", secret=True),),
    ),
    CommandSpec(
        "clients",
        "list the clients that hold a key",
        "One data line each: its number, its role, and since when. Keys themselves are not kept, only their hashes.",
        "clients",
        PLAYING,
        ANY_STATE,
        "line",
        only_here=True,
    ),
    CommandSpec(
        "unpair",
        "make a key worthless",
        "Connections that hold it fall back to what they are without it, at once.",
        "unpair 3f2a",
        PLAYING,
        ANY_STATE,
        "line",
        (Argument("client", "name", "its number as `clients` lists it, or all"),),
        only_here=True,
    ),
    CommandSpec(
        "relay",
        "speak for a client elsewhere, and be no more than it",
        "For programs that pass on the lines of others, such as the one behind the phone page. From here on this "
        "connection is what its client is: anyone, until it pairs. There is no way back.",
        "relay 192.0.2.7",
        PLAYING,
        ANY_STATE,
        "line",
        (Argument("address", "name", "the client's IP address"),),
        only_here=True,
    ),
)
