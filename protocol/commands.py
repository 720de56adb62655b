"""THE table of commands: verb, arguments, who may give it, in which states, and its help.

Rule of this file: documents, help, completion, permissions and clients come from `COMMANDS` and from
nowhere else. A line is parsed without knowing who sent it or what the machine does; whether it is
allowed is asked afterwards, by role (`check_role`) and by state (`check_state`).
"""

import difflib
from collections.abc import Mapping

from drillfeed.protocol.arguments import read_arguments, shown, write_argument
from drillfeed.protocol.change_rows import CHANGE_ROWS, DRILL_ARGUMENTS
from drillfeed.protocol.errors import Refused
from drillfeed.protocol.people_rows import PEOPLE_ROWS
from drillfeed.protocol.practice_rows import PRACTICE_ROWS
from drillfeed.protocol.retired import RETIRED_COMMANDS
from drillfeed.protocol.setup_rows import SETUP_ROWS
from drillfeed.protocol.spec import ANY_STATE as ANY_STATE
from drillfeed.protocol.spec import EVERYONE, PLAYING, TAKING_PART, in_states
from drillfeed.protocol.spec import ROLES as ROLES
from drillfeed.protocol.spec import STATES as STATES
from drillfeed.protocol.spec import Argument as Argument
from drillfeed.protocol.spec import Caller as Caller
from drillfeed.protocol.spec import Command as Command
from drillfeed.protocol.spec import CommandSpec as CommandSpec
from drillfeed.protocol.spec import Role as Role
from drillfeed.protocol.spec import Value as Value
from drillfeed.protocol.spec import usage as usage
from drillfeed.protocol.status import State as State

_ROWS: tuple[CommandSpec, ...] = (
    CommandSpec(
        "help",
        "tell what can be typed",
        "Without a verb: one line for each command. With one: its arguments, who may give it and when.",
        "help load",
        EVERYONE,
        ANY_STATE,
        "line",
        (Argument("verb", "name", "a command of this table", optional=True, among="commands"),),
        recorded=False,
    ),
    CommandSpec(
        "list",
        "list what can be loaded or is known",
        "One data line for each; what this machine cannot do is marked with the reason.",
        "list drills",
        TAKING_PART,
        ANY_STATE,
        arguments=(Argument("of", "choice", "what to list", choices=("drills", "balls", "machines")),),
        recorded=False,
    ),
    CommandSpec(
        "load",
        "load a drill, ready to be started",
        "The drill is planned for this machine before it is accepted; where the tempo has to be stretched, the answer "
        "says so. The same seed gives the same balls. `balls` shortens the drill to so many balls. Sides are those of "
        "the player's hand.",
        "load short-then-long seed 7 balls 30",
        PLAYING,
        in_states("IDLE", "ARMED"),
        arguments=DRILL_ARGUMENTS,
    ),
    CommandSpec(
        "arm",
        "make the machine ready; wheels stay still",
        "The driver is asked to get ready and the answer comes when it has said so. Nothing moves before `start`.",
        "arm",
        PLAYING,
        in_states("IDLE"),
    ),
    CommandSpec(
        "disarm",
        "give up readiness; the wheels run out if they turn",
        "The way back to IDLE without a stop. In a rest or a pause it ends the drill.",
        "disarm",
        TAKING_PART,
        in_states("ARMED", "RESTING", "PAUSED"),
    ),
    CommandSpec(
        "start",
        "start the loaded drill after its start delay",
        "Quotes the stop count, which `status` prints together with the line to type. Every stop and fault raises the "
        "count, so that a start that was sent before a stop and arrives after it is refused. A cue comes before the "
        "wheels turn and the countdown ends with the first ball leaving.",
        "start 4",
        PLAYING,
        in_states("ARMED"),
        arguments=(
            Argument("stop_count", "integer", "the stop count that status shows", 0, 999_999_999, among="stop-count"),
        ),
    ),
    CommandSpec(
        "throw",
        "throw one ball of one type after a countdown",
        "For a first look and for trimming. Quotes the stop count as `start` does; wheels turn after the cue, one "
        "ball is thrown, the wheels run down. What is loaded stays loaded.",
        "throw heavy-push 4",
        PLAYING,
        in_states("ARMED"),
        arguments=(
            Argument(
                "ball",
                "name",
                'a ball type by its name, or in quotes with its side: "light-push to backhand"',
                among="balls",
            ),
            Argument("stop_count", "integer", "the stop count that status shows", 0, 999_999_999, among="stop-count"),
        ),
    ),
    CommandSpec(
        "pause",
        "feed no more balls for now",
        "Open to all, in every state. One ball already on its way may still leave. The wheels are held for 10 s at "
        "most and then run down. Where nothing runs it has no effect, and the answer says so.",
        "pause",
        EVERYONE,
        ANY_STATE,
    ),
    CommandSpec(
        "resume",
        "go on after a pause, with a countdown",
        "Goes on with the next ball of the set after the resume delay.",
        "resume",
        PLAYING,
        in_states("PAUSED"),
    ),
    CommandSpec(
        "ready",
        "end a rest that waits for the player",
        "The next set starts with its cue and its full countdown.",
        "ready",
        PLAYING,
        in_states("RESTING"),
    ),
    CommandSpec(
        "stop",
        "stop: the feed closes at once and the wheels run down at once",
        "Open to all, in every state, from every connection; it waits for no other line and is never refused. Words "
        "after it are ignored. One ball already fed may still leave. The byte 18 hex (CAN, Ctrl-X) does the same in "
        "the middle of anything. This is no cut-off of power: fit a switch within reach that cuts the motors' supply.",
        "stop",
        EVERYONE,
        ANY_STATE,
        ignores_more=True,
    ),
    CommandSpec(
        "skip",
        "leave the rest of this set and go to the next",
        "The next set begins with its own first ball, after a countdown.",
        "skip",
        PLAYING,
        in_states("FEEDING", "PAUSED", "RESTING"),
    ),
    CommandSpec(
        "clear",
        "acknowledge a fault; moves nothing",
        "Look at the machine first: cut the power and wait for the wheels before reaching in. Refused while the cause "
        "lasts. What calls for a look at wheels, sensors or driver is cleared on the machine itself, not from afar. "
        "After it `arm` and `start` are needed as after power-up.",
        "clear",
        PLAYING,
        in_states("FAULT"),
    ),
    CommandSpec(
        "status",
        "tell the state, why, and what to type next",
        "For people aligned lines, blank where a figure is not known. `json` gives one data line with one JSON object.",
        "status json",
        EVERYONE,
        ANY_STATE,
        "line",
        (Argument("form", "choice", "for programs", choices=("json",), optional=True),),
        recorded=False,
    ),
    CommandSpec(
        "watch",
        "be told what happens, as it happens",
        "Notices begin with `!`. A client that reads too slowly misses some and is told how many. `json` gives each "
        "notice as one JSON object.",
        "watch on",
        EVERYONE,
        ANY_STATE,
        "line",
        (Argument("form", "choice", "on if left out", choices=("on", "off", "json"), optional=True),),
        recorded=False,
    ),
    CommandSpec(
        "balls",
        "tell how many balls are in the hopper",
        "The count goes down with each ball fed. Until it is told it is unknown.",
        "balls 48",
        PLAYING,
        ANY_STATE,
        arguments=(Argument("count", "integer", "balls in the hopper now", 0, 2_000, "balls"),),
    ),
    CommandSpec(
        "crank-at-mark",
        "tell that the crank was turned to its mark by hand",
        "For a crank that turns by time only: its phase drifts with each turn and is unknown after a stop in mid-turn. "
        "Cut the motor power, turn it to the mark, then type this.",
        "crank-at-mark",
        PLAYING,
        in_states("IDLE", "ARMED", "PAUSED", "RESTING"),
    ),
    *CHANGE_ROWS,
    *PRACTICE_ROWS,
    *PEOPLE_ROWS,
    *SETUP_ROWS,
    CommandSpec(
        "cautions",
        "acknowledge the cautions; once, before the first arm",
        "Eyes: never look into the opening; wear eye protection in front of it while setting up. Fingers, hair and "
        "sleeves: keep clear of the wheels. Cut the power and wait for the wheels before clearing a jam. Nobody "
        "between thrower and table. Not for unattended children; small balls are a choking hazard. Battery: the right "
        "charger, never a damaged pack. Check at low speed after every change. Mind daily ball totals. Local rules and "
        "licensed practice come first. This software performs no safety function.",
        "cautions accept",
        PLAYING,
        ANY_STATE,
        arguments=(Argument("answer", "choice", "the word accept", choices=("accept",)),),
    ),
    CommandSpec(
        "quit",
        "close this connection; what runs goes on",
        "Closes after the answers of all lines before it.",
        "quit",
        EVERYONE,
        ANY_STATE,
        "line",
        recorded=False,
    ),
)

STEPS_SHOWN = 2

COMMANDS: dict[str, CommandSpec] = {row.verb: row for row in _ROWS}

# What a person does to get from one state to the next; used only to name the next step in a refusal.
WAYS_ON: dict[State, tuple[tuple[str, State], ...]] = {
    "OFFLINE": (("connect a motor driver", "IDLE"),),
    "IDLE": (("arm", "ARMED"),),
    "ARMED": (("start with the present stop count", "SPINUP"), ("disarm", "STOPPING"), ("setup on", "SETUP")),
    "SPINUP": (("wait for the first ball", "FEEDING"), ("pause", "PAUSED"), ("stop", "STOPPING")),
    "FEEDING": (("pause", "PAUSED"), ("wait for the end of the set", "RESTING"), ("stop", "STOPPING")),
    "RESTING": (("ready", "SPINUP"), ("pause", "PAUSED"), ("disarm", "STOPPING")),
    "PAUSED": (("resume", "SPINUP"), ("disarm", "STOPPING"), ("stop", "STOPPING")),
    "STOPPING": (("wait until the wheels are at rest", "IDLE"),),
    "QUICKSTOP": (("wait until the wheels are at rest", "FAULT"),),
    "FAULT": (("clear", "IDLE"),),
    "SETUP": (("setup off", "STOPPING"), ("stop", "STOPPING")),
}


def is_stop(line: str) -> bool:
    """Tell whether the first word of `line` is `stop`, in capitals or not."""
    return line.lstrip(" ")[:5].rstrip(" ").lower() == "stop"


def parse(line: str, table: Mapping[str, CommandSpec] = COMMANDS) -> Command:
    """Read one line, without its newline, as a command.

    Verbs, keywords and choices may be written in capitals; names are taken as they are. Raises
    `Refused` with unknown-command (and the nearest verb) or bad-argument (and how it is written).
    """
    first = line.strip(" ").split(" ", 1)[0]
    spec = table.get(first.lower())
    if spec is None:
        if new := RETIRED_COMMANDS.get(first.lower()):
            raise Refused("unknown-command", f"{shown(first)} is called {new} now", do=new)
        near = difflib.get_close_matches(first.lower(), list(table), n=1)
        do = f"{near[0]}?  ({table[near[0]].help})" if near else "help"
        raise Refused("unknown-command", f"there is no command {shown(first)}", do=do)
    if spec.ignores_more:
        return Command(spec.verb, {})
    return Command(spec.verb, read_arguments(line.strip(" ")[len(first) :], spec))


def line_of(command: Command, table: Mapping[str, CommandSpec] = COMMANDS) -> str:
    """Write a command as the line that parses to it; raises Refused where the table does not have it."""
    spec = table.get(command.verb)
    if spec is None:
        raise Refused("unknown-command", f"there is no command {shown(command.verb)}", do="help")
    parts = [spec.verb]
    keywords = frozenset(argument.name for argument in spec.arguments if argument.keyed)
    for argument in spec.arguments:
        if argument.name in command.values:
            mistaken = keywords if argument.optional else frozenset[str]()
            parts += write_argument(argument, command.values[argument.name], mistaken)
    line = " ".join(parts)
    if parse(line, table) != command:
        raise Refused("bad-argument", f"{spec.verb} with {dict(command.values)}", expected=usage(spec))
    return line


def shown_line(command: Command, table: Mapping[str, CommandSpec] = COMMANDS) -> str:
    """Write a command as `line_of` does, with each secret argument as `...`: for journals and logs."""
    secrets = {argument.name: "..." for argument in table[command.verb].arguments if argument.secret}
    return line_of(Command(command.verb, {**command.values, **secrets}), table)


def check_role(command: Command, caller: Caller, table: Mapping[str, CommandSpec] = COMMANDS) -> None:
    """Raise Refused (not-allowed), naming who may, unless the caller's role may give this command."""
    spec = table[command.verb]
    if caller.role not in spec.who:
        may = ", ".join(role for role in ROLES if role in spec.who)
        raise Refused(
            "not-allowed",
            f"{spec.verb} is not open to the role {caller.role}",
            expected=f"one of: {may}",
            do="ask one of them; status, pause and stop are open to all",
        )
    if spec.only_here and not caller.here:
        raise Refused(
            "not-allowed",
            f"{spec.verb} is given on the machine itself",
            expected="its Unix socket or loopback",
            found=caller.where,
            do="ask whoever is there",
        )


def check_state(command: Command, state: State, table: Mapping[str, CommandSpec] = COMMANDS) -> None:
    """Raise Refused (wrong-state), naming the states it is possible in and the next step."""
    spec = table[command.verb]
    check_state_in(spec.verb, state, spec.states)


def check_state_in(what: str, state: State, states: frozenset[State]) -> None:
    """Raise Refused (wrong-state) unless `state` is one of those that `what` is possible in."""
    if state not in states:
        raise Refused(
            "wrong-state",
            f"{what} is not possible now",
            expected=" or ".join(name for name in STATES if name in states),
            found=state,
            do=", then ".join(steps_to(state, states)[:STEPS_SHOWN]) or "status",
        )


def steps_to(state: State, wanted: frozenset[State]) -> tuple[str, ...]:
    """Find the fewest steps by which a person gets from `state` into one of `wanted`; () if there is no way."""
    reached: dict[State, tuple[str, ...]] = {state: ()}
    edge: list[State] = [state]
    while edge:
        here = edge.pop(0)
        if here in wanted:
            return reached[here]
        for step, there in WAYS_ON[here]:
            if there not in reached:
                reached[there] = (*reached[here], step)
                edge.append(there)
    return ()
