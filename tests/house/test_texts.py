"""The catalogue of texts: whole, without leftovers, filled in as its placeholders ask, the same in every language."""

import ast
import re
import string
from collections.abc import Iterator
from dataclasses import astuple
from itertools import combinations
from pathlib import Path

import pytest

from drillfeed.clients.phone.server import in_words, page_texts
from drillfeed.protocol.errors import CODES
from drillfeed.protocol.texts import en
from drillfeed.protocol.texts.catalogue import ENGLISH, Catalogue, catalogue, languages
from drillfeed.protocol.texts.rows import Forms, Language, PluralForm, RefusalText, Row

ROOT = Path(__file__).parents[2]
FAMILIES = ("column.", "command.", "code.", "cue.", "label.")
"""Beginnings of ids that code puts together from the names of columns, commands, codes, cues and figures of status."""
PAGE = ROOT / "clients" / "phone"
PAGE_FILES = [PAGE / name for name in ("page.html", "page.js", "sound.js")]
PAGE_IDS = re.compile(r'["{]((?:page|list)\.[a-z-]+)["}]')
CALLS = {"text": ENGLISH.texts, "refuse": ENGLISH.refusals}


def sources() -> Iterator[tuple[Path, ast.Module]]:
    """Yield every source file outside the catalogue, with its tree."""
    for top in ("protocol", "clients", "daemon"):
        for path in sorted((ROOT / top).rglob("*.py")):
            if "texts" not in path.parts:
                yield path, ast.parse(path.read_text(encoding="utf-8"))


def named(argument: ast.expr) -> Iterator[str]:
    """Yield the ids that the first argument of a call may be, as far as they are literal."""
    if isinstance(argument, ast.Constant) and isinstance(argument.value, str):
        yield argument.value
    elif isinstance(argument, ast.IfExp):
        yield from named(argument.body)
        yield from named(argument.orelse)


def uses() -> Iterator[tuple[str, str, str, set[str]]]:
    """Yield every literal use of the catalogue: where, by which function, the id and the values given."""
    for path, tree in sources():
        for node in ast.walk(tree):
            if isinstance(node, ast.Call) and isinstance(node.func, ast.Name) and node.func.id in CALLS and node.args:
                where = f"{path.relative_to(ROOT)}:{node.lineno}"
                given = {keyword.arg or "**" for keyword in node.keywords}
                for name in named(node.args[0]):
                    yield where, node.func.id, name, given


def templates(row: Row | RefusalText) -> tuple[str, ...]:
    """Return the templates of a row."""
    if isinstance(row, str):
        return (row,)
    parts: tuple[str | None, ...] = astuple(row)
    return tuple(part for part in parts if part)


def placeholders(row: Row | RefusalText) -> set[str]:
    """Return the names that a row asks for."""
    wanted = {"count"} if isinstance(row, Forms) else set()
    for template in templates(row):
        for _, name, form, _ in string.Formatter().parse(template):
            wanted |= {name.split(".")[0]} if name else set()
            wanted |= {inner for _, inner, _, _ in string.Formatter().parse(form or "") if inner}
    return wanted


USES = list(uses())


@pytest.mark.parametrize(("where", "function", "name", "given"), USES, ids=[f"{use[0]} {use[2]}" for use in USES])
def test_every_id_in_use_is_in_the_catalogue(where: str, function: str, name: str, given: set[str]) -> None:
    """The id exists, and the call gives exactly the values that its template asks for."""
    assert name in CALLS[function], f"{where}: no text is called {name}"
    assert "**" in given or placeholders(CALLS[function][name]) == given, f"{where}: {name}"


def test_no_text_is_left_over() -> None:
    """Every id stands somewhere in the code, as a literal, but for the families that code puts together."""
    there = {
        node.value
        for _, tree in sources()
        for node in ast.walk(tree)
        if isinstance(node, ast.Constant) and isinstance(node.value, str)
    }
    there |= {name for path in PAGE_FILES for name in PAGE_IDS.findall(path.read_text(encoding="utf-8"))}
    assert not [
        name for name in (*ENGLISH.texts, *ENGLISH.refusals) if name not in there and not name.startswith(FAMILIES)
    ]


def test_ids_are_unique_and_codes_are_of_the_closed_list() -> None:
    """No id stands in two tables, and each refusal has a code of the closed list."""
    for kind in ("TEXTS", "REFUSALS"):
        for one, other in combinations([getattr(table, kind, {}) for table in en.TABLES], 2):
            assert not set(one) & set(other)
    assert {row.code for row in ENGLISH.refusals.values()} <= set(CODES)


def test_no_text_is_looked_up_while_modules_are_imported() -> None:
    """The language is chosen where a process begins; what was looked up before that would stay English."""

    def at_import(node: ast.AST) -> Iterator[int]:
        for child in ast.iter_child_nodes(node):
            if isinstance(child, ast.FunctionDef | ast.AsyncFunctionDef | ast.Lambda):
                continue
            if isinstance(child, ast.Call) and isinstance(child.func, ast.Name) and child.func.id in CALLS:
                yield child.lineno
            yield from at_import(child)

    assert not [f"{path.relative_to(ROOT)}:{line}" for path, tree in sources() for line in at_import(tree)]


@pytest.mark.parametrize("code", languages())
def test_every_language_has_every_text_with_the_same_placeholders(code: str) -> None:
    """A translation is whole, and leaves no figure out."""
    language = catalogue(code).language
    assert set(language.texts) == set(ENGLISH.texts)
    assert set(language.refusals) == set(ENGLISH.refusals)
    for name, row in ENGLISH.texts.items():
        assert placeholders(language.texts[name]) == placeholders(row), name
    for name, refusal in ENGLISH.refusals.items():
        assert placeholders(language.refusals[name]) == placeholders(refusal), name
        assert language.refusals[name].code == refusal.code


def test_a_language_has_its_own_plurals_and_english_where_it_lacks_a_text() -> None:
    """Three forms of a word are possible; a text that a language lacks is told in English."""

    def plural(count: float) -> PluralForm:
        return "one" if count == 1 else "few" if count < 5 else "many"

    made_up = Catalogue(
        Language({"count.balls": Forms("{count} bal", few="{count} bala", many="{count} balov")}, {}, plural)
    )
    assert [made_up.text("count.balls", count=count) for count in (1, 2, 5)] == ["1 bal", "2 bala", "5 balov"]
    assert made_up.text("count.sets", count=1) == "1 set"
    assert made_up.refusal("drill.none").what == "no drill is loaded"


def test_an_unknown_language_is_refused() -> None:
    """A code that names no folder of the catalogue is a KeyError."""
    with pytest.raises(KeyError):
        catalogue("xx")


def test_the_page_has_every_text_it_asks_for() -> None:
    """Its script and its markup name ids that there are, and the script gives each value that a text wants."""
    script = "".join(path.read_text(encoding="utf-8") for path in PAGE.glob("*.js"))
    asked = {name for path in PAGE_FILES for name in PAGE_IDS.findall(path.read_text(encoding="utf-8"))}
    assert asked and asked <= set(ENGLISH.texts)
    for name, values in re.findall(r'say\("([a-z.-]+)", \{ (.*?) \}\)', script):
        given = {value.split(":")[0].strip() for value in re.sub(r"\(.*?\)", "", values).split(",")}
        assert given == placeholders(ENGLISH.texts[name]), name
    page = in_words((PAGE / "page.html").read_text(encoding="utf-8"), page_texts())
    assert "{" not in re.sub(r"pattern=\S+", "", page)
    assert ">Stop</button>" in page and "<kbd>drillfeed phone</kbd>" in page
