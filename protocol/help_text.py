"""The answer to `help`, written from the command table.

Rule of this file: no command is named here; everything comes from the rows.
"""

import difflib
import textwrap
from collections.abc import Mapping

from drillfeed.protocol.commands import COMMANDS, ROLES, STATES, Argument, CommandSpec, usage
from drillfeed.protocol.errors import Refused
from drillfeed.protocol.retired import RETIRED_COMMANDS

TEXT_WIDTH = 76


def help_lines(verb: str | None = None, table: Mapping[str, CommandSpec] = COMMANDS) -> tuple[str, ...]:
    """Write one line for each command, or all about one; raises Refused (unknown-command)."""
    if verb is None:
        width = max(len(usage(row)) for row in table.values()) + 2
        return tuple(f"{usage(row):<{width}}{row.help}" for row in table.values())
    row = table.get(verb.lower())
    if row is None:
        if new := RETIRED_COMMANDS.get(verb.lower()):
            raise Refused("unknown-command", f"'{verb}' is called {new} now", do=f"help {new}")
        near = difflib.get_close_matches(verb.lower(), list(table), n=1)
        raise Refused("unknown-command", f"there is no command '{verb[:40]}'", do=f"help {near[0]}" if near else "help")
    return (
        f"{usage(row)}  -  {row.help}",
        *textwrap.wrap(row.detail, TEXT_WIDTH),
        *(argument_line(argument) for argument in row.arguments),
        f"example: {row.example}",
        f"open to: {who_text(row)}",
        f"in state: {states_text(row)}",
    )


def argument_line(argument: Argument) -> str:
    """Describe one argument: what it is, its range and unit, and whether it may be left out."""
    parts = [argument.what]
    if argument.choices:
        parts.append("one of " + ", ".join(argument.choices))
    if argument.minimum is not None and argument.maximum is not None:
        parts.append(f"{argument.minimum:.12g} to {argument.maximum:.12g} {argument.unit}".rstrip())
    if argument.optional:
        parts.append("may be left out")
    return f"{argument.name}: {'; '.join(parts)}"


def who_text(row: CommandSpec) -> str:
    """Name the roles a command is open to."""
    who = "anyone" if "anyone" in row.who else ", ".join(role for role in ROLES if role in row.who)
    return f"{who}; on the machine itself" if row.only_here else who


def states_text(row: CommandSpec) -> str:
    """Name the states a command is possible in."""
    return "any" if row.states == frozenset(STATES) else ", ".join(state for state in STATES if state in row.states)
