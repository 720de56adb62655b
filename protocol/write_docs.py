"""Write COMMANDS.md from the tables, or check that it is current: `python -m drillfeed.protocol.write_docs [--check]`.

Rule of this file: facts come from the tables; only the words between them stand here.
"""

import textwrap
from collections.abc import Mapping
from pathlib import Path

from drillfeed.protocol.commands import COMMANDS, ROLES, STATES, CommandSpec, usage
from drillfeed.protocol.errors import CODES
from drillfeed.protocol.generated import write_or_check
from drillfeed.protocol.help_text import argument_line, states_text, who_text
from drillfeed.protocol.lines import MAX_LINE_BYTES, STOP_BYTE
from drillfeed.protocol.status import CUES, TOPICS
from drillfeed.protocol.texts.catalogue import text

TEXT_WIDTH = 116
DOCUMENT = Path(__file__).parent / "COMMANDS.md"

OPENING = f"""\
# Text commands

<!-- Written by `python -m drillfeed.protocol.write_docs`; change the tables, not this file. -->

One connection, one line a command, one reply a line. Made to be typed by hand and to be read by a program.

**This software performs no safety function.** `stop` is a request to a computer. Fit a switch within the
player's reach that cuts the motors' supply.

## By hand

```
$ nc 127.0.0.1 7340
load mixed-spin seed 7 balls 30
done load mixed-spin: 30 balls in 2 sets, 36.0/min, seed 7
arm
done arm armed; wheels at rest
start 0
done start wheels are about to turn; first ball in 10.0 s
stop
done stop stopping; one ball already fed may still leave; stop count 1
start 0
no 30 wrong-state start is not possible now; expected ARMED; found STOPPING. ...
```

The texts after the verb may differ; the first words do not. With the Unix socket:
`nc -U $XDG_RUNTIME_DIR/drillfeed.sock`.
To press stop from a script: `printf 'stop\\n' | nc -N 127.0.0.1 7340`, or the stop byte alone, with no newline:
`printf '\\030' | nc -N 127.0.0.1 7340`.

## Lines to the daemon

- A line is UTF-8 text of at most {MAX_LINE_BYTES} bytes, ended by a newline; a carriage return before it is dropped.
  Control characters are refused, tabs among them. Blank lines are ignored and get no reply.
- Words are parted by blanks. A word with blanks in it is put in double quotes; inside them `\\"` is a quote and
  `\\\\` a backslash. Verbs, keywords and choices may be written in capitals; names are taken as they are.
- An over-long line is refused once and skipped up to its newline.
- **The stop byte {STOP_BYTE:02x} hex (CAN; Ctrl-X on most keyboards)** may be sent at any moment, in the middle of a
  line too. It acts before anything else is made of what was sent, throws away the half line before it, and is
  answered by the notice `! stop ...`, not by a reply. The byte is legal nowhere else. A terminal that sends whole lines
  sends it with the next Enter only.
- **A `stop` line** acts the moment it arrives, in front of all lines waiting on this or any other connection; its reply
  comes in its place in the row. Words after it are ignored. A last `stop` without a newline before the end of
  the connection counts.
- **HTTP, TLS, SSH, STUN and proxy greetings close the connection** at their first line (`19 other-protocol`). Nothing
  after that line is read, not even a stop. A web page can make a browser send lines of the page's choice to this
  port, but such a line always comes first. An unknown word is not a greeting: it is refused, and the next line is read.
- At most 64 lines may wait for their replies. Further ones are thrown away and refused (`16 too-fast`); a stop among
  them still acts.

## Lines from the daemon

| begins with | is |
|---|---|
| `\\| ` | a data line of the reply that is being given |
| `done VERB text` | the end of a reply: the command was accepted |
| `no NUMBER NAME text` | the end of a reply: the command was refused and changed nothing |
| `! topic text` | a notice (after `watch on`) |
| `! {{...}}` | a notice as one JSON object (after `watch json`): serial, topic, text, cue, fields |

Each line that is not blank gets exactly one reply, closed by exactly one `done` or `no` line; replies come in the
order of the lines. Notices stand between replies, never inside one. Nothing is queued for a client that reads too
slowly: it gets `! missed N ...` and can ask `status`. Programs read the number or the name of a refusal,
never its text.

## Who is who

| from | role |
|---|---|
| the Unix socket (its file is open to its owner alone) | owner |
| TCP from the same machine (the end of a tunnel counts as that) | player |
| TCP from elsewhere, and a connection that speaks for another (`relay`) | anyone |
| any of these after `pair` with a code shown on the machine, or a key that was given for one | player or coach |

There is no password. Keys are kept as salted hashes. Wrong codes and keys make their address wait, longer each time; a
stop and a pause never wait. **Nothing on this line is encrypted**: who listens in on the network can read codes and
keys and use them. A daemon listens on loopback unless told otherwise; from afar, a tunnel (ssh, a private network) is
the better way. Past 256 connections, or past half of them from one address, a new one may only stop, for five seconds;
fewer where the daemon may have few files open. Where very many come, those that only stop make room for newer ones,
the oldest first, and not before what they sent has been read.
"""


def document(table: Mapping[str, CommandSpec] = COMMANDS) -> str:
    """Write the whole of COMMANDS.md."""
    parts = [OPENING, "## Commands\n", _overview(table), *(_command(row) for row in table.values())]
    parts += ["## Who may do what\n", _roles(table), "## What is possible in which state\n", _states(table)]
    parts += [
        "## Codes of refusals\n",
        _codes(),
        "## Cues\n",
        _cues(),
        f"## Topics of notices\n\n{', '.join(TOPICS)}.\n",
    ]
    return "\n".join(parts)


def main(arguments: list[str] | None = None) -> int:
    """Write the document, or with --check tell by the exit code (1) that it is out of date."""
    return write_or_check("drillfeed.protocol.write_docs", {DOCUMENT: document()}, arguments)


def _cell(text: str) -> str:
    return text.replace("|", "\\|")


def _overview(table: Mapping[str, CommandSpec]) -> str:
    rows = [f"| `{_cell(usage(row))}` | {_cell(row.help)} |" for row in table.values()]
    return "\n".join(["| command | what for |", "|---|---|", *rows]) + "\n"


def _command(row: CommandSpec) -> str:
    arguments = [f"- {argument_line(argument)}" for argument in row.arguments]
    lines = [
        f"### {row.verb}",
        "",
        f"`{usage(row)}`: {row.help}.",
        "",
        textwrap.fill(row.detail, TEXT_WIDTH),
        "",
        *arguments,
    ]
    return "\n".join(
        [*lines, f"- example: `{row.example}`", f"- open to: {who_text(row)}", f"- in state: {states_text(row)}", ""]
    )


def _roles(table: Mapping[str, CommandSpec]) -> str:
    head = [f"| command | {' | '.join(ROLES)} |", "|---" * (len(ROLES) + 1) + "|"]
    rows = [
        f"| {row.verb} | {' | '.join('yes' if role in row.who else '' for role in ROLES)} |" for row in table.values()
    ]
    return "\n".join([*head, *rows]) + "\n"


def _states(table: Mapping[str, CommandSpec]) -> str:
    rows = [f"| {state} | {', '.join(row.verb for row in table.values() if state in row.states)} |" for state in STATES]
    return "\n".join(["| state | commands |", "|---|---|", *rows]) + "\n"


def _codes() -> str:
    rows = [f"| {code.number} | {code.name} | {code.meaning} |" for code in CODES.values()]
    return "\n".join(["| number | name | meaning |", "|---|---|---|", *rows]) + "\n"


def _cues() -> str:
    rows = [f"| {cue} | {text(f'cue.{cue}')} |" for cue in CUES]
    return (
        "\n".join(["Each cue has a notice that can be read as well.", "", "| cue | when |", "|---|---|", *rows]) + "\n"
    )


if __name__ == "__main__":
    raise SystemExit(main())
