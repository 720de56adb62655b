"""Write commands.abnf from the tables, or check it: `python -m drillfeed.protocol.write_abnf [--check]`.

Rule of this file: rules of commands come from the command table, names of refusals from the list of codes; only
what all lines share stands here (RFC 5234).
"""

import textwrap
from collections.abc import Iterator, Mapping
from pathlib import Path

from drillfeed.protocol.arguments import MAX_INTEGER_DIGITS, MAX_NAME_CHARACTERS
from drillfeed.protocol.commands import COMMANDS, Argument, CommandSpec
from drillfeed.protocol.errors import CODES
from drillfeed.protocol.generated import write_or_check
from drillfeed.protocol.lines import MAX_LINE_BYTES

GRAMMAR = Path(__file__).parent / "commands.abnf"
WIDTH = 110

OPENING = f"""\
; The text commands as a grammar (RFC 5234), over Unicode characters, after the bytes were read as UTF-8.
; Written by `python -m drillfeed.protocol.write_abnf`; change the tables, not this file.
;
; What a grammar of this kind cannot say, and the parser keeps as well:
; - a line has at most {MAX_LINE_BYTES} bytes, a name at most {MAX_NAME_CHARACTERS} characters;
; - a number lies in the range that stands beside its rule;
; - each keyword is given once at most, in any order; one that is not optional is given;
; - a name that may be left out and is spelled like a keyword of its command is put in quotes.
; Quoted strings of this grammar match in capitals as well, and so do the verbs, keywords and choices of a line.

line         = *SP command *SP       ; ended by LF; a CR before it is dropped
blank        = *SP                   ; ignored, no reply
stop-byte    = %x18                  ; at any moment, inside a line as well
"""

SHARED = f"""\
name         = bare / quoted
bare         = 1*( %x21 / %x23-7E / beyond-ascii )
quoted       = DQUOTE 1*( SP / %x21 / %x23-5B / %x5D-7E / beyond-ascii / escaped ) DQUOTE
escaped      = "\\" ( DQUOTE / "\\" )
integer      = [ "+" / "-" ] 1*{MAX_INTEGER_DIGITS}DIGIT
number       = [ "+" / "-" ] 1*9DIGIT [ "." 1*9DIGIT ]
text         = 1*( SP / %x21-7E / beyond-ascii )
beyond-ascii = %xA0-2027 / %x202A-D7FF / %xE000-10FFFF

; What the daemon writes, a line each.

reply        = *( data LF ) ( done / no ) LF
data         = "|" [ SP text ]
done         = "done" SP verb [ SP text ]
no           = "no" SP 2DIGIT SP code-name [ SP text ]
notice       = "!" SP text
"""


def grammar(table: Mapping[str, CommandSpec] = COMMANDS) -> str:
    """Write the whole of commands.abnf."""
    rules = [*_alternatives("command", [_rule_name(row.verb) for row in table.values()]), ""]
    for row in table.values():
        rules += [*_rules_of(row), ""]
    closing = [
        *_alternatives("verb", [f'"{verb}"' for verb in table]),
        *_alternatives("code-name", [f'"{code}"' for code in CODES]),
    ]
    return "\n".join([OPENING, *rules, SHARED, *closing]) + "\n"


def main(arguments: list[str] | None = None) -> int:
    """Write the grammar, or with --check tell by the exit code (1) that it is out of date."""
    return write_or_check("drillfeed.protocol.write_abnf", {GRAMMAR: grammar()}, arguments)


def _rule_name(verb: str) -> str:
    return f"{verb}-line"


def _rules_of(row: CommandSpec) -> Iterator[str]:
    """Write the rule of a row, and a rule for each of its arguments."""
    parts = [f'"{row.verb}"']
    if row.ignores_more:
        yield f"{_rule_name(row.verb)} = {parts[0]} [ SP text ]    ; what follows is ignored"
        return
    placed = [argument for argument in row.arguments if not argument.keyed]
    keyed = [argument for argument in row.arguments if argument.keyed]
    parts += [f"1*SP {_argument_name(row, argument)}" for argument in placed if not argument.optional]
    optional = [f"1*SP {_argument_name(row, argument)}" for argument in placed if argument.optional]
    if optional:
        parts.append("".join(f"[ {argument} " for argument in optional) + " ".join("]" * len(optional)))
    if keyed:
        least = sum(not argument.optional for argument in keyed)
        choices = " / ".join(_argument_name(row, argument) for argument in keyed)
        parts.append(f"1*SP {choices}" if least == len(keyed) == 1 else f"{least}*{len(keyed)}( 1*SP ( {choices} ) )")
    yield f"{_rule_name(row.verb)} = {' '.join(parts)}"
    for argument in row.arguments:
        yield f"{_argument_name(row, argument)} = {_value(argument)}"


def _argument_name(row: CommandSpec, argument: Argument) -> str:
    return f"{row.verb}-{argument.name.replace('_', '-')}"


def _value(argument: Argument) -> str:
    rule = {
        "name": "name",
        "integer": "integer",
        "number": "number",
        "choice": " / ".join(f'"{choice}"' for choice in argument.choices),
    }[argument.kind]
    if argument.kind == "number" and argument.unit:
        # A unit is not matched in capitals: its characters by number.
        rule += f" [ %x{'.'.join(f'{ord(character):02X}' for character in argument.unit)} ]"
    if argument.keyed:
        rule = f'"{argument.name}" 1*SP ' + (f"( {rule} )" if " / " in rule else rule)
    if argument.minimum is not None and argument.maximum is not None:
        rule += f"    ; {argument.minimum:.12g} to {argument.maximum:.12g} {argument.unit}".rstrip()
    return rule


def _alternatives(name: str, choices: list[str]) -> list[str]:
    head = f"{name:<12} = "
    return textwrap.wrap(head + " / ".join(choices), WIDTH, subsequent_indent=" " * len(head), break_on_hyphens=False)


if __name__ == "__main__":
    raise SystemExit(main())
