"""The answer to `help`, written from the command table.

Rule of this file: no command is named here; everything comes from the rows.
"""

import difflib
import textwrap
from collections.abc import Mapping

from drillfeed.protocol.commands import COMMANDS, ROLES, STATES, Argument, CommandSpec, usage
from drillfeed.protocol.errors import refuse
from drillfeed.protocol.retired import RETIRED_COMMANDS
from drillfeed.protocol.texts.catalogue import text

TEXT_WIDTH = 76


def help_lines(verb: str | None = None, table: Mapping[str, CommandSpec] = COMMANDS) -> tuple[str, ...]:
    """Write one line for each command, or all about one; raises Refused (unknown-command)."""
    if verb is None:
        width = max(len(usage(row)) for row in table.values()) + 2
        return tuple(f"{usage(row):<{width}}{row.help}" for row in table.values())
    row = table.get(verb.lower())
    if row is None:
        if new := RETIRED_COMMANDS.get(verb.lower()):
            raise refuse("line.renamed-help", verb=verb, new=new)
        near = difflib.get_close_matches(verb.lower(), list(table), n=1)
        raise refuse("line.no-help", verb=verb[:40], do=f"help {near[0]}" if near else "help")
    return (
        f"{usage(row)}  -  {row.help}",
        *textwrap.wrap(row.detail, TEXT_WIDTH),
        *(argument_line(argument) for argument in row.arguments),
        text("help.example", example=row.example),
        text("help.open-to", who=who_text(row)),
        text("help.in-state", states=states_text(row)),
    )


def argument_line(argument: Argument) -> str:
    """Describe one argument: what it is, its range and unit, and whether it may be left out."""
    parts = [argument.what]
    if argument.choices:
        parts.append(text("help.one-of") + ", ".join(argument.choices))
    if argument.minimum is not None and argument.maximum is not None:
        parts.append(text("help.range", low=argument.minimum, high=argument.maximum, unit=argument.unit).rstrip())
    if argument.optional:
        parts.append(text("help.optional"))
    return f"{argument.name}: {'; '.join(parts)}"


def who_text(row: CommandSpec) -> str:
    """Name the roles a command is open to."""
    who = "anyone" if "anyone" in row.who else ", ".join(role for role in ROLES if role in row.who)
    return text("help.only-here", who=who) if row.only_here else who


def states_text(row: CommandSpec) -> str:
    """Name the states a command is possible in."""
    return "any" if row.states == frozenset(STATES) else ", ".join(state for state in STATES if state in row.states)
