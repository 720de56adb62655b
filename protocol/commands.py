"""THE table of commands: verb, arguments, who may give it, in which states, and its help.

Rule of this file: documents, help, completion, permissions and clients come from `COMMANDS` and from
nowhere else. A line is parsed without knowing who sent it or what the machine does; whether it is
allowed is asked afterwards, by role (`check_role`) and by state (`check_state`).
"""

import difflib
from collections.abc import Mapping

from drillfeed.protocol.arguments import read_arguments, shown, write_argument
from drillfeed.protocol.change_rows import CHANGE_ROWS, DRILL_ARGUMENTS
from drillfeed.protocol.errors import refuse
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
from drillfeed.protocol.texts.catalogue import text

_ROWS: tuple[CommandSpec, ...] = (
    CommandSpec(
        "help",
        "help load",
        EVERYONE,
        ANY_STATE,
        "line",
        (Argument("verb", "name", "argument.verb", optional=True, among="commands"),),
        recorded=False,
    ),
    CommandSpec(
        "list",
        "list drills",
        TAKING_PART,
        ANY_STATE,
        arguments=(Argument("of", "choice", "argument.list-of", choices=("drills", "balls", "machines")),),
        recorded=False,
    ),
    CommandSpec(
        "load",
        "load short-then-long seed 7 balls 30",
        PLAYING,
        in_states("IDLE", "ARMED"),
        arguments=DRILL_ARGUMENTS,
    ),
    CommandSpec(
        "arm",
        "arm",
        PLAYING,
        in_states("IDLE"),
    ),
    CommandSpec(
        "disarm",
        "disarm",
        TAKING_PART,
        in_states("ARMED", "RESTING", "PAUSED"),
    ),
    CommandSpec(
        "start",
        "start 4",
        PLAYING,
        in_states("ARMED"),
        arguments=(Argument("stop_count", "integer", "argument.stop-count", 0, 999_999_999, among="stop-count"),),
    ),
    CommandSpec(
        "throw",
        "throw heavy-push 4",
        PLAYING,
        in_states("ARMED"),
        arguments=(
            Argument(
                "ball",
                "name",
                "argument.throw-ball",
                among="balls",
            ),
            Argument("stop_count", "integer", "argument.stop-count", 0, 999_999_999, among="stop-count"),
        ),
    ),
    CommandSpec(
        "pause",
        "pause",
        EVERYONE,
        ANY_STATE,
    ),
    CommandSpec(
        "resume",
        "resume",
        PLAYING,
        in_states("PAUSED"),
    ),
    CommandSpec(
        "ready",
        "ready",
        PLAYING,
        in_states("RESTING"),
    ),
    CommandSpec(
        "stop",
        "stop",
        EVERYONE,
        ANY_STATE,
        ignores_more=True,
    ),
    CommandSpec(
        "skip",
        "skip",
        PLAYING,
        in_states("FEEDING", "PAUSED", "RESTING"),
    ),
    CommandSpec(
        "clear",
        "clear",
        PLAYING,
        in_states("FAULT"),
    ),
    CommandSpec(
        "status",
        "status json",
        EVERYONE,
        ANY_STATE,
        "line",
        (Argument("form", "choice", "argument.status-form", choices=("json",), optional=True),),
        recorded=False,
    ),
    CommandSpec(
        "watch",
        "watch on",
        EVERYONE,
        ANY_STATE,
        "line",
        (Argument("form", "choice", "argument.watch-form", choices=("on", "off", "json"), optional=True),),
        recorded=False,
    ),
    CommandSpec(
        "balls",
        "balls 48",
        PLAYING,
        ANY_STATE,
        arguments=(Argument("count", "integer", "argument.balls-count", 0, 2_000, "balls"),),
    ),
    CommandSpec(
        "crank-at-mark",
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
        "cautions accept",
        PLAYING,
        ANY_STATE,
        arguments=(Argument("answer", "choice", "argument.answer", choices=("accept",)),),
    ),
    CommandSpec(
        "quit",
        "quit",
        EVERYONE,
        ANY_STATE,
        "line",
        recorded=False,
    ),
)

STEPS_SHOWN = 2

COMMANDS: dict[str, CommandSpec] = {row.verb: row for row in _ROWS}

# What a person does to get from one state to the next, a line to type or the id of a text; it names the next step.
WAYS_ON: dict[State, tuple[tuple[str, State], ...]] = {
    "OFFLINE": (("way.connect", "IDLE"),),
    "IDLE": (("arm", "ARMED"),),
    "ARMED": (("way.start", "SPINUP"), ("disarm", "STOPPING"), ("setup on", "SETUP")),
    "SPINUP": (("way.first-ball", "FEEDING"), ("pause", "PAUSED"), ("stop", "STOPPING")),
    "FEEDING": (("pause", "PAUSED"), ("way.end-of-set", "RESTING"), ("stop", "STOPPING")),
    "RESTING": (("ready", "SPINUP"), ("pause", "PAUSED"), ("disarm", "STOPPING")),
    "PAUSED": (("resume", "SPINUP"), ("disarm", "STOPPING"), ("stop", "STOPPING")),
    "STOPPING": (("way.wheels-at-rest", "IDLE"),),
    "QUICKSTOP": (("way.wheels-at-rest", "FAULT"),),
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
            raise refuse("line.renamed", command=shown(first), new=new, do=new)
        near = difflib.get_close_matches(first.lower(), list(table), n=1)
        do = f"{near[0]}?  ({table[near[0]].help})" if near else "help"
        raise refuse("line.unknown-command", command=shown(first), do=do)
    if spec.ignores_more:
        return Command(spec.verb, {})
    return Command(spec.verb, read_arguments(line.strip(" ")[len(first) :], spec))


def line_of(command: Command, table: Mapping[str, CommandSpec] = COMMANDS) -> str:
    """Write a command as the line that parses to it; raises Refused where the table does not have it."""
    spec = table.get(command.verb)
    if spec is None:
        raise refuse("line.unknown", command=shown(command.verb))
    parts = [spec.verb]
    keywords = frozenset(argument.name for argument in spec.arguments if argument.keyed)
    for argument in spec.arguments:
        if argument.name in command.values:
            mistaken = keywords if argument.optional else frozenset[str]()
            parts += write_argument(argument, command.values[argument.name], mistaken)
    line = " ".join(parts)
    if parse(line, table) != command:
        raise refuse("line.not-written", verb=spec.verb, values=dict(command.values), usage=usage(spec))
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
        raise refuse("line.not-open", verb=spec.verb, role=caller.role, may=may)
    if spec.only_here and not caller.here:
        raise refuse("line.only-here", verb=spec.verb, where=caller.where)


def check_state(command: Command, state: State, table: Mapping[str, CommandSpec] = COMMANDS) -> None:
    """Raise Refused (wrong-state), naming the states it is possible in and the next step."""
    spec = table[command.verb]
    check_state_in(spec.verb, state, spec.states)


def check_state_in(what: str, state: State, states: frozenset[State]) -> None:
    """Raise Refused (wrong-state) unless `state` is one of those that `what` is possible in."""
    if state not in states:
        raise refuse(
            "line.not-now",
            what=what,
            states=" or ".join(name for name in STATES if name in states),
            state=state,
            steps=", then ".join(steps_to(state, states)[:STEPS_SHOWN]) or "status",
        )


def step_text(step: str) -> str:
    """Return a step of `WAYS_ON` as people read it: a text by its id, or a line as it is typed."""
    return text(step) if step.startswith("way.") else step


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
                reached[there] = (*reached[here], step_text(step))
                edge.append(there)
    return ()
