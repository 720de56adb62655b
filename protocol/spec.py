"""What a row of the command table is made of, and how a command is written.

Rule of this file: only shapes; the rows themselves stand in `commands.py`.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Literal, get_args

from drillfeed.protocol.status import State
from drillfeed.protocol.texts.catalogue import text

Role = Literal["anyone", "player", "coach", "owner"]
Kind = Literal["integer", "number", "name", "choice"]
Among = Literal["", "commands", "drills", "balls", "players", "stop-count"]
Value = int | float | str

ROLES: tuple[Role, ...] = get_args(Role)
STATES: tuple[State, ...] = get_args(State)
ANY_STATE: frozenset[State] = frozenset(STATES)
EVERYONE: frozenset[Role] = frozenset(ROLES)
PLAYING: frozenset[Role] = frozenset({"player", "owner"})
TAKING_PART: frozenset[Role] = frozenset({"player", "coach", "owner"})


def in_states(*states: State) -> frozenset[State]:
    """Name the states a command is possible in."""
    return frozenset(states)


@dataclass(frozen=True)
class Argument:
    """One argument of a command. A `keyed` one is written as its name and then its value: `seed 7`.

    `text_id` names the text that says what it is. A `secret` one is never written down: where a line is recorded or
    logged, `shown_line` hides it. `among` says of what the values are, for completion.
    """

    name: str
    kind: Kind
    text_id: str
    minimum: float | None = None
    maximum: float | None = None
    unit: str = ""
    choices: tuple[str, ...] = ()
    optional: bool = False
    keyed: bool = False
    secret: bool = False
    among: Among = ""

    @property
    def what(self) -> str:
        """Say what it is."""
        return text(self.text_id)


@dataclass(frozen=True)
class CommandSpec:
    """One row of the table. `handled_by` says whether the line server answers it or the desk.

    An `only_here` one is open to its roles only from the machine itself, not to a paired client elsewhere. One that is
    not `recorded` only asks, or only keeps going what was recorded; it is left out of the journal. Its help stands in
    the catalogue: `command.VERB` and `command.VERB.details`, unless `text_id` names another text.
    """

    verb: str
    example: str
    who: frozenset[Role]
    states: frozenset[State]
    handled_by: Literal["line", "desk"] = "desk"
    arguments: tuple[Argument, ...] = ()
    ignores_more: bool = False
    only_here: bool = False
    recorded: bool = True
    text_id: str = ""

    @property
    def help(self) -> str:
        """Say in a few words what it does."""
        return text(self.text_id or f"command.{self.verb}")

    @property
    def detail(self) -> str:
        """Say what one has to know to use it."""
        return text(f"{self.text_id or f'command.{self.verb}'}.details")


@dataclass(frozen=True)
class Caller:
    """Who gives a command, in what role, from where (an address or a socket), and whether that is this machine."""

    role: Role
    name: str
    where: str
    here: bool = False


@dataclass(frozen=True)
class Command:
    """A parsed line. `values` holds an entry for each argument that was given."""

    verb: str
    values: Mapping[str, Value]


def usage(spec: CommandSpec) -> str:
    """Tell how a command is written: `load NAME [seed SEED] [balls BALLS]`."""
    return " ".join([spec.verb, *(usage_of(argument) for argument in spec.arguments)])


def usage_of(argument: Argument) -> str:
    """Tell how one argument is written: in brackets where it may be left out."""
    value = "|".join(argument.choices) if argument.kind == "choice" else argument.name.upper()
    written = f"{argument.name} {value}" if argument.keyed else value
    return f"[{written}]" if argument.optional else written
