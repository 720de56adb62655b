"""THE table of commands: verb, arguments, who may give it, in which states, and its help.

Rule of this file: documents, help, completion, permissions and clients come from `COMMANDS` and from
nowhere else. A line is parsed without knowing who sent it or what the machine does; whether it is
allowed is asked afterwards, by role (`check_role`) and by state (`check_state`).
"""

import difflib
import re
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Literal, get_args

from drillfeed.protocol.errors import Refused
from drillfeed.protocol.status import State

Role = Literal["anyone", "player", "coach", "owner"]
Kind = Literal["integer", "number", "name", "choice"]
Value = int | float | str

ROLES: tuple[Role, ...] = get_args(Role)
STATES: tuple[State, ...] = get_args(State)
ANY_STATE: frozenset[State] = frozenset(STATES)
EVERYONE: frozenset[Role] = frozenset(ROLES)
PLAYING: frozenset[Role] = frozenset({"player", "owner"})
TAKING_PART: frozenset[Role] = frozenset({"player", "coach", "owner"})

NAME_MOST_CHARACTERS = 255
INTEGER_MOST_DIGITS = 12


@dataclass(frozen=True)
class Argument:
    """One argument of a command. A `keyed` one is written as its name and then its value: `seed 7`."""

    name: str
    kind: Kind
    what: str
    least: float | None = None
    most: float | None = None
    unit: str = ""
    choices: tuple[str, ...] = ()
    optional: bool = False
    keyed: bool = False


@dataclass(frozen=True)
class CommandSpec:
    """One row of the table. `handled_by` says whether the line server answers it or the desk."""

    verb: str
    help: str
    detail: str
    example: str
    who: frozenset[Role]
    states: frozenset[State]
    handled_by: Literal["line", "desk"] = "desk"
    arguments: tuple[Argument, ...] = ()
    ignores_more: bool = False


@dataclass(frozen=True)
class Caller:
    """Who gives a command, in what role, and from where (an address or a socket)."""

    role: Role
    name: str
    where: str


@dataclass(frozen=True)
class Command:
    """A parsed line. `values` holds an entry for each argument that was given."""

    verb: str
    values: Mapping[str, Value]


def _in(*states: State) -> frozenset[State]:
    return frozenset(states)


_ROWS: tuple[CommandSpec, ...] = (
    CommandSpec(
        "help",
        "tell what can be typed",
        "Without a verb: one line for each command. With one: its arguments, who may give it and when.",
        "help load",
        EVERYONE,
        ANY_STATE,
        "line",
        (Argument("verb", "name", "a command of this table", optional=True),),
    ),
    CommandSpec(
        "list",
        "list what can be loaded or is known",
        "One data line for each; what this machine cannot do is marked with the reason.",
        "list drills",
        TAKING_PART,
        ANY_STATE,
        arguments=(Argument("of", "choice", "what to list", choices=("drills", "balls", "machines")),),
    ),
    CommandSpec(
        "load",
        "load a drill, ready to be started",
        "The drill is planned for this machine before it is accepted; where the tempo has to be stretched, the answer "
        "says so. The same seed gives the same balls. `balls` shortens the drill to so many balls.",
        "load short-then-long seed 7 balls 30",
        PLAYING,
        _in("IDLE", "ARMED"),
        arguments=(
            Argument("name", "name", "a drill by its name, or the path of a drill file in double quotes"),
            Argument("seed", "integer", "chance", 0, 4_294_967_295, optional=True, keyed=True),
            Argument("balls", "integer", "how many balls", 1, 10_000, "balls", optional=True, keyed=True),
        ),
    ),
    CommandSpec(
        "arm",
        "make the machine ready; wheels stay still",
        "The driver is asked to get ready and the answer comes when it has said so. Nothing moves before `start`.",
        "arm",
        PLAYING,
        _in("IDLE"),
    ),
    CommandSpec(
        "disarm",
        "give up readiness; the wheels run out if they turn",
        "The way back to IDLE without a stop. In a rest or a pause it ends the drill.",
        "disarm",
        TAKING_PART,
        _in("ARMED", "RESTING", "PAUSED"),
    ),
    CommandSpec(
        "start",
        "start the loaded drill after its start delay",
        "Quotes the stop count, which `status` prints together with the line to type. Every stop and fault raises the "
        "count, so that a start that was sent before a stop and arrives after it is refused. A cue comes before the "
        "wheels turn and the countdown ends with the first ball leaving.",
        "start 4",
        PLAYING,
        _in("ARMED"),
        arguments=(Argument("stop_count", "integer", "the stop count that status shows", 0, 999_999_999),),
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
        _in("PAUSED"),
    ),
    CommandSpec(
        "ready",
        "end a rest that waits for the player",
        "The next set starts with its cue and its full countdown.",
        "ready",
        PLAYING,
        _in("RESTING"),
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
        _in("FEEDING", "PAUSED", "RESTING"),
    ),
    CommandSpec(
        "clear",
        "acknowledge a fault; moves nothing",
        "Look at the machine first: cut the power and wait for the wheels before reaching in. Refused while the cause "
        "lasts. After it `arm` and `start` are needed as after power-up.",
        "clear",
        PLAYING,
        _in("FAULT"),
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
        "rephase",
        "tell that the crank was turned to its mark by hand",
        "For a crank that turns by time only: its phase drifts with each turn and is unknown after a stop in mid-turn. "
        "Cut the motor power, turn it to the mark, then type this.",
        "rephase",
        PLAYING,
        _in("IDLE", "ARMED", "PAUSED", "RESTING"),
    ),
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
    ),
)

COMMANDS: dict[str, CommandSpec] = {row.verb: row for row in _ROWS}

# What a person does to get from one state to the next; used only to name the next step in a refusal.
WAYS_ON: dict[State, tuple[tuple[str, State], ...]] = {
    "OFFLINE": (("connect a motor driver", "IDLE"),),
    "IDLE": (("arm", "ARMED"),),
    "ARMED": (("start with the present stop count", "SPINUP"), ("disarm", "IDLE")),
    "SPINUP": (("wait for the first ball", "FEEDING"), ("pause", "PAUSED"), ("stop", "STOPPING")),
    "FEEDING": (("pause", "PAUSED"), ("wait for the end of the set", "RESTING"), ("stop", "STOPPING")),
    "RESTING": (("ready", "SPINUP"), ("pause", "PAUSED"), ("disarm", "IDLE")),
    "PAUSED": (("resume", "SPINUP"), ("disarm", "IDLE"), ("stop", "STOPPING")),
    "STOPPING": (("wait until the wheels are at rest", "IDLE"),),
    "QUICKSTOP": (("wait until the wheels are at rest", "FAULT"),),
    "FAULT": (("clear", "IDLE"),),
    "SETUP": (("stop", "STOPPING"),),
}

_TOKEN = re.compile(r' *(?:"((?:[^"\\]|\\["\\])*)"|([^ "]+))(?= |$)')
_INTEGER = re.compile(rf"[+-]?[0-9]{{1,{INTEGER_MOST_DIGITS}}}")
_NUMBER = re.compile(r"([+-]?[0-9]{1,9}(?:\.[0-9]{1,9})?)(.*)")
_BARE_NAME = re.compile(r'[^ "]+')


def is_stop(line: str) -> bool:
    """Tell whether the first word of `line` is `stop`, in capitals or not."""
    return line.split(" ", 1)[0].lower() == "stop" if not line.startswith(" ") else is_stop(line.lstrip(" "))


def parse(line: str, table: Mapping[str, CommandSpec] = COMMANDS) -> Command:
    """Read one line, without its newline, as a command.

    Verbs, keywords and choices may be written in capitals; names are taken as they are. Raises
    `Refused` with unknown-command (and the nearest verb) or bad-argument (and how it is written).
    """
    first = line.strip(" ").split(" ", 1)[0]
    spec = table.get(first.lower())
    if spec is None:
        near = difflib.get_close_matches(first.lower(), list(table), n=1)
        do = f"{near[0]}?  ({table[near[0]].help})" if near else "help"
        raise Refused("unknown-command", f"there is no command {_shown(first)}", do=do)
    if spec.ignores_more:
        return Command(spec.verb, {})
    words = _words(line.strip(" ")[len(first) :], spec)
    values = _read_arguments(words, spec)
    return Command(spec.verb, values)


def line_of(command: Command, table: Mapping[str, CommandSpec] = COMMANDS) -> str:
    """Write a command as the line that parses to it; raises Refused where the table does not have it."""
    spec = table.get(command.verb)
    if spec is None:
        raise Refused("unknown-command", f"there is no command {_shown(command.verb)}", do="help")
    parts = [spec.verb]
    for argument in spec.arguments:
        if argument.name in command.values:
            value = command.values[argument.name]
            parts += [argument.name] * argument.keyed
            parts.append(_quoted(value) if isinstance(value, str) else _plain(value))
    line = " ".join(parts)
    if parse(line, table) != command:
        raise Refused("bad-argument", f"{spec.verb} with {dict(command.values)}", expected=usage(spec))
    return line


def usage(spec: CommandSpec) -> str:
    """Tell how a command is written: `load NAME [seed SEED] [balls BALLS]`."""
    return " ".join([spec.verb, *(_usage_of(argument) for argument in spec.arguments)])


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


def check_state(command: Command, state: State, table: Mapping[str, CommandSpec] = COMMANDS) -> None:
    """Raise Refused (wrong-state), naming the states it is possible in and the next step."""
    spec = table[command.verb]
    if state not in spec.states:
        raise Refused(
            "wrong-state",
            f"{spec.verb} is not possible now",
            expected=" or ".join(name for name in STATES if name in spec.states),
            found=state,
            do=", then ".join(steps_to(state, spec.states)) or "status",
        )


def check_allowed(command: Command, caller: Caller, state: State) -> None:
    """Raise Refused unless this caller may give this command in this state; the role is asked first."""
    check_role(command, caller)
    check_state(command, state)


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


def _words(rest: str, spec: CommandSpec) -> list[tuple[str, bool]]:
    words: list[tuple[str, bool]] = []
    position = 0
    while position < len(rest):
        match = _TOKEN.match(rest, position)
        if match is None:
            raise _bad(spec, "a quote is not closed, or stands inside a word", _shown(rest.strip(" ")))
        quoted, bare = match.groups()
        words.append((bare, False) if bare is not None else (re.sub(r"\\(.)", r"\1", quoted), True))
        position = match.end()
    return words


def _read_arguments(words: list[tuple[str, bool]], spec: CommandSpec) -> dict[str, Value]:
    given: dict[str, Value] = {}
    placed = [argument for argument in spec.arguments if not argument.keyed]
    keyed = {argument.name: argument for argument in spec.arguments if argument.keyed}
    rest = list(words)
    while rest:
        word, quoted = rest.pop(0)
        if placed:
            argument = placed.pop(0)
        elif not quoted and word.lower() in keyed:
            argument = keyed.pop(word.lower())
            if not rest:
                raise _bad(spec, f"{argument.name} has no value", "the end of the line")
            word, quoted = rest.pop(0)
        else:
            raise _bad(spec, "a word too many, or one given twice", _shown(word))
        given[argument.name] = _read(argument, word, quoted, spec)
    missing = [argument for argument in (*placed, *keyed.values()) if not argument.optional]
    if missing:
        raise _bad(spec, f"{_usage_of(missing[0])} is missing ({missing[0].what})", "the end of the line")
    return {argument.name: given[argument.name] for argument in spec.arguments if argument.name in given}


def _read(argument: Argument, word: str, quoted: bool, spec: CommandSpec) -> Value:
    if argument.kind == "name":
        if not 1 <= len(word) <= NAME_MOST_CHARACTERS:
            raise _bad(spec, f"{argument.name} has 1 to {NAME_MOST_CHARACTERS} characters", f"{len(word)}")
        return word
    if quoted:
        raise _bad(spec, f"{argument.name} is not written in quotes", _shown(word))
    if argument.kind == "choice":
        if word.lower() not in argument.choices:
            raise _bad(spec, f"{argument.name} is one of: {', '.join(argument.choices)}", _shown(word))
        return word.lower()
    value: int | float
    if argument.kind == "integer":
        if _INTEGER.fullmatch(word) is None:
            raise _bad(spec, f"{argument.name} is a whole number {_range_of(argument)}", _shown(word))
        value = int(word)
    else:
        match = _NUMBER.fullmatch(word)
        if match is None or match.group(2) not in ("", argument.unit):
            raise _bad(spec, f"{argument.name} is a number {_range_of(argument)}", _shown(word))
        value = float(match.group(1))
    if not (argument.least is None or value >= argument.least) or not (argument.most is None or value <= argument.most):
        raise _bad(spec, f"{argument.name} is out of range: it goes {_range_of(argument)}", word)
    return value


def _bad(spec: CommandSpec, what: str, found: str) -> Refused:
    return Refused("bad-argument", what, expected=usage(spec), found=found, do=f"help {spec.verb}")


def _range_of(argument: Argument) -> str:
    ends = []
    if argument.least is not None:
        ends.append(f"from {argument.least:.12g}")
    if argument.most is not None:
        ends.append(f"to {argument.most:.12g}")
    return " ".join([*ends, *([argument.unit] if argument.unit else [])]).strip()


def _usage_of(argument: Argument) -> str:
    text = "|".join(argument.choices) if argument.kind == "choice" else argument.name.upper()
    text = f"{argument.name} {text}" if argument.keyed else text
    return f"[{text}]" if argument.optional else text


def _quoted(text: str) -> str:
    if _BARE_NAME.fullmatch(text):
        return text
    escaped = text.replace("\\", "\\\\").replace('"', '\\"')
    return f'"{escaped}"'


def _plain(value: int | float) -> str:
    return str(value) if isinstance(value, int) else f"{value:.9f}".rstrip("0").rstrip(".")


def _shown(text: str) -> str:
    return f"'{text[:40]}...'" if len(text) > 40 else f"'{text}'"
