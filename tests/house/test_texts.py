"""The catalogue of texts: complete, without leftovers, and filled in as its placeholders ask."""

import ast
import string
from collections.abc import Iterator
from dataclasses import astuple
from pathlib import Path

import pytest

from drillfeed.protocol.errors import CODES
from drillfeed.protocol.texts.catalogue import TEXTS
from drillfeed.protocol.texts.labels import LABELS
from drillfeed.protocol.texts.notices import NOTICES
from drillfeed.protocol.texts.refusals import REFUSALS

ROOT = Path(__file__).parents[2]
CALLS = {"text": TEXTS, "refuse": REFUSALS}


def uses() -> Iterator[tuple[str, str, str, set[str]]]:
    """Yield every literal use of the catalogue: where, by which function, the id and the values given."""
    for top in ("protocol", "clients", "daemon"):
        for path in sorted((ROOT / top).rglob("*.py")):
            for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
                if not isinstance(node, ast.Call) or not isinstance(node.func, ast.Name) or node.func.id not in CALLS:
                    continue
                if node.args and isinstance(node.args[0], ast.Constant) and isinstance(node.args[0].value, str):
                    where = f"{path.relative_to(ROOT)}:{node.lineno}"
                    given = {keyword.arg or "**" for keyword in node.keywords}
                    yield where, node.func.id, node.args[0].value, given


def placeholders(template: str) -> set[str]:
    """Return the names that a template asks for."""
    return {name.split(".")[0] for _, name, _, _ in string.Formatter().parse(template) if name}


def wanted(function: str, name: str) -> set[str]:
    if function == "text":
        return placeholders(TEXTS[name])
    return set().union(*(placeholders(part) for part in astuple(REFUSALS[name])))


USES = list(uses())


@pytest.mark.parametrize(("where", "function", "name", "given"), USES, ids=[f"{use[0]} {use[2]}" for use in USES])
def test_every_id_in_use_is_in_the_catalogue(where: str, function: str, name: str, given: set[str]) -> None:
    """The id exists, and the call gives exactly the values that its template asks for."""
    assert name in CALLS[function], f"{where}: no text is called {name}"
    assert "**" in given or wanted(function, name) == given, f"{where}: {name}"


def test_no_text_is_left_over() -> None:
    """Every id stands somewhere in the code, as a literal."""
    sources = [
        path.read_text(encoding="utf-8")
        for top in ("protocol", "clients", "daemon")
        for path in (ROOT / top).rglob("*.*")
        if path.suffix in (".py", ".js") and path.parent.name != "texts"
    ]
    everything = "\n".join(sources)
    left = [name for name in (*TEXTS, *REFUSALS) if f'"{name}"' not in everything]
    assert not left


def test_ids_are_unique_and_codes_are_of_the_closed_list() -> None:
    """No id stands in two tables, and each refusal has a code of the closed list."""
    assert not set(NOTICES) & set(LABELS)
    assert {row.code for row in REFUSALS.values()} <= set(CODES)
