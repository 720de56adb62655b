"""The code blocks of the pages: every command line is one that the program takes, and shown output is what it prints.

`sh` blocks: each line that calls drillfeed goes through the parser of its sub-command. `text` blocks that begin with
`$ drillfeed` are run and compared line by line; a line of dots stands for any lines, dots at the end of a line for its
rest. `toml` blocks are read. Sessions with `nc` and the program in LINK.md have tests of their own.
"""

import argparse
import importlib
import re
import shlex
import tomllib
from collections.abc import Iterator
from pathlib import Path

import pytest

from drillfeed.daemon.cli import SUBCOMMANDS, main

ROOT = Path(__file__).parents[2]
PAGES = sorted(
    path.relative_to(ROOT)
    for top in (".", "clients", "daemon", "examples", "protocol")
    for path in (ROOT.glob("*.md") if top == "." else (ROOT / top).rglob("*.md"))
)
KINDS = {"", "sh", "text", "toml", "json", "console", "python", "c", "mermaid"}
BEFORE = re.compile(r"^(.*&& *)?(\S*/)?(?=drillfeed)")
# What depends on the moment or on a practice: shown as an example, made by the tests of its own sub-command.
SHOWN_ONLY = ("drillfeed history",)


def blocks() -> Iterator[tuple[str, str, str]]:
    """Yield page with line, kind and text of every code block."""
    for page in PAGES:
        text = (ROOT / page).read_text(encoding="utf-8")
        for block in re.finditer(r"^```(\S*)\n(.*?)^```$", text, re.DOTALL | re.MULTILINE):
            line = text.count("\n", 0, block.start()) + 1
            yield f"{page}:{line}", block.group(1), block.group(2)


BLOCKS = list(blocks())
COMMANDS = [
    (where, BEFORE.sub("", line.strip()))
    for where, kind, text in BLOCKS
    if kind == "sh"
    for line in text.splitlines()
    if re.search(r"(^|/)drillfeed ", line.strip().split(" && ")[-1])
]
SHOWN = [
    (where, text)
    for where, kind, text in BLOCKS
    if kind == "text" and text.startswith("$ drillfeed") and not text.removeprefix("$ ").startswith(SHOWN_ONLY)
]
TOMLS = [(where, text) for where, kind, text in BLOCKS if kind == "toml"]


@pytest.mark.parametrize(("where", "kind", "text"), BLOCKS, ids=[where for where, _, _ in BLOCKS])
def test_every_block_is_of_a_kind_that_a_test_knows(where: str, kind: str, text: str) -> None:
    """A block of another kind would stand there unread."""
    assert kind in KINDS, f"{where}: {kind}"


@pytest.mark.parametrize(("where", "line"), COMMANDS, ids=[f"{where} {line[:40]}" for where, line in COMMANDS])
def test_every_command_line_is_one_that_the_program_takes(where: str, line: str) -> None:
    """The sub-command exists, and its parser takes the arguments."""
    words = shlex.split(line, comments=True)
    assert words[0] == "drillfeed" and words[1] in SUBCOMMANDS, f"{where}: {line}"
    module = importlib.import_module(f"drillfeed.daemon.subcommands.{words[1].replace('-', '_')}")
    parser = argparse.ArgumentParser(exit_on_error=False)
    module.add_arguments(parser)
    parser.parse_args(words[2:])


@pytest.mark.parametrize(("where", "text"), TOMLS, ids=[where for where, _ in TOMLS])
def test_every_toml_block_can_be_read(where: str, text: str) -> None:
    """It is TOML; what it says is tested with the files of its kind."""
    assert tomllib.loads(text), where


@pytest.mark.parametrize(("where", "text"), SHOWN, ids=[where for where, _ in SHOWN])
def test_shown_output_is_what_the_command_prints(where: str, text: str, capsys: pytest.CaptureFixture[str]) -> None:
    """Each line shown stands in the output, in this order and next to the line before it unless dots say otherwise."""
    shown = text.splitlines()
    main(shlex.split(shown[0].removeprefix("$ "))[1:])
    printed = capsys.readouterr().out.splitlines()
    assert matches(shown[1:], printed), "\n".join([where, *printed])


def matches(shown: list[str], printed: list[str]) -> bool:
    """Tell whether the lines shown are those printed."""
    if not shown:
        return not printed
    if shown[0].strip() == "...":
        return any(matches(shown[1:], printed[skip:]) for skip in range(len(printed) + 1))
    if not printed:
        return False
    whole = printed[0].rstrip() == shown[0].rstrip()
    begins = shown[0].endswith("...") and printed[0].startswith(shown[0].removesuffix("...").rstrip())
    return (whole or begins) and matches(shown[1:], printed[1:])
